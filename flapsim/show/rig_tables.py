"""A reduced log or a fitted case as a compact table for a reader at the terminal.

Answers: what was measured, how surely, what would make it surer, and what had to be left out?
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

from flapsim.quantities import MEASURED, MEASURED_SERIES, printed
from flapsim.rig.calibrate import Calibration
from flapsim.rig.compare import Comparison
from flapsim.rig.reduction import Reduction

__all__ = ["calibration_table", "comparison_table", "reduction_table"]

WIDTH = 80
_LABEL = 26

CAUTION = (
    "Caution: on a bench spars strike and break; keep out of the wing's plane, shield your eyes,"
    " and cut the power before reaching in. Lithium cells burn when bent, pierced or overcharged:"
    " fuse them, watch them, test on what does not burn. No number here says that a craft is safe."
)

_WORDS = {
    "tare_efficiency": "tare efficiency",
    "flapping_efficiency": "flapping efficiency",
    "drive_efficiency": "drive efficiency",
    "aerodynamic_efficiency": "aerodynamic efficiency",
    "total_efficiency": "total efficiency",
}
_BUDGETS = ("electrical_power_w", "shaft_power_w", "aerodynamic_efficiency", "flapping_efficiency")
_NAMED = 3
"""Sources of uncertainty named per result."""


def reduction_table(reduction: Reduction, comparison: Comparison | None = None) -> str:
    """Return what a log says, at most `WIDTH` columns wide.

    Parameters
    ----------
    comparison : Comparison, optional
        Adds residuals by harmonic.

    Returns
    -------
    str
        Lines of text, the last one without its end.
    """
    strokes = reduction.strokes
    lines = [
        reduction.rig.title,
        *_wrapped(
            f"{reduction.name}: {reduction.counts['rows']} rows at"
            f" {reduction.sample_rate_hz:.6g} Hz, {strokes.count} strokes,"
            f" {reduction.bench.strokes.count} of them good"
        ),
        "",
        f"{'What was measured':<{_LABEL + 2}}{'value':>11}{'95 % from':>12}{'to':>11}",
    ]
    for name, found in reduction.account.estimates.items():
        lines.append(_row(_WORDS.get(name, MEASURED[name].long_name), name,
                          (found.value, found.low, found.high)))  # fmt: skip
    lines += ["", "What makes it unsure, part of the squared uncertainty; improve the first named"]
    for name in _BUDGETS:
        shares = reduction.account.budget.get(name, ())
        if shares:
            named = ", ".join(
                f"{share.source} {100.0 * share.part:.0f} %" for share in shares[:_NAMED]
            )
            words = _WORDS.get(name, MEASURED[name].long_name)
            lines += _wrapped(f"{words}: {named}", "  ", "    ")
    lines += ["", "What was lost or repaired"]
    told = {key: value for key, value in reduction.counts.items() if key != "rows"}
    lines += [f"  {key}: {value}" for key, value in told.items()]
    lines += [f"  strokes rejected, {why}: {n}" for why, n in strokes.rejected().items()]
    if not told and not strokes.rejected():
        lines.append("  nothing")
    lines += ["", "What to distrust"]
    lines += _notes(reduction.notes)
    if comparison is not None:
        lines += ["", comparison_table(comparison)]
    return "\n".join([*lines, "", *_wrapped(CAUTION)])


def comparison_table(comparison: Comparison) -> str:
    """Return residuals by harmonic, measured against predicted."""
    lines = [f"Measured against {comparison.case.name}"]
    lines.append(
        f"  {'harmonic':<18}{'measured':>11}{'predicted':>11}{'lags by °':>11}"
        f"{'residual':>11}{'scatter':>11}"
    )
    for name, against in comparison.quantities.items():
        quantity = MEASURED_SERIES[name]
        lines.append(f"  {quantity.long_name}, {printed(quantity.unit)}")
        for harmonic in against.harmonics[:5]:
            words = "mean" if harmonic.order == 0 else str(harmonic.order)
            cells = (
                harmonic.measured,
                harmonic.predicted,
                harmonic.lag_deg,
                harmonic.residual,
                harmonic.uncertainty,
            )
            lines.append(f"    {words:<16}" + "".join(f"{_number(cell):>11}" for cell in cells))
    if comparison.notes:
        lines += _notes(comparison.notes)
    return "\n".join(lines)


def calibration_table(calibration: Calibration, of_log: Sequence[str] = ()) -> str:
    """Return what a fit found, with what is to be distrusted of the log it rests on."""
    width = max(len(found.key) for found in calibration.fitted) + 2
    lines = [
        *_wrapped(f"Fitted to {', '.join(calibration.quantities)}; the fit misses the strokes by"
                  f" {calibration.misfit:.2f} times their scatter"),
        "",
        f"{'':<{width}}{'was':>11}{'is':>11}{'95 % from':>12}{'to':>11}",
    ]  # fmt: skip
    for found in calibration.fitted:
        cells = "".join(
            f"{_number(cell):>{size}}"
            for cell, size in (
                (found.before, 11), (found.value, 11), (found.low, 12), (found.high, 11),
            )
        )  # fmt: skip
        lines.append(f"{found.key:<{width}}{cells}" + ("" if found.known else "  not told"))
    lines += ["", "What to distrust"]
    lines += _notes([*calibration.warnings, *of_log])
    return "\n".join([*lines, "", *_wrapped(CAUTION)])


def _row(label: str, name: str, cells: tuple[float, float, float]) -> str:
    unit = printed(MEASURED[name].unit)
    sizes = (11, 12, 11)
    words = "".join(f"{_number(cell):>{size}}" for cell, size in zip(cells, sizes, strict=True))
    return f"  {label:<{_LABEL}}{words} {unit}".rstrip()


def _number(value: float) -> str:
    return f"{value:.4g}" if math.isfinite(value) else "n/a"


def _notes(notes: Sequence[str]) -> list[str]:
    return [line for note in notes for line in _wrapped(note, "  - ", "    ")] or [
        "  nothing that this can see of itself"
    ]


def _wrapped(text: str, first: str = "", other: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=other)
