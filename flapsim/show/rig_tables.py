"""A reduced log or a fitted case as a compact table for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from flapsim.quantities import MEASURED, MEASURED_SERIES, printed
from flapsim.rig.calibrate import Calibration
from flapsim.rig.compare import Comparison
from flapsim.rig.reduction import Reduction
from flapsim.show.text import figures, noted, wrapped

_LABEL = 30

CAUTION = (
    "Caution: flapping spars can break and strike. Stay out of the wing's plane, wear eye"
    " protection, and disconnect the power before reaching in. Lithium cells burn when bent,"
    " punctured or overcharged: fuse them, watch them, and test on a fireproof surface. These"
    " numbers do not certify that an aircraft is safe."
)

_BUDGETS = ("electrical_power_w", "shaft_power_w", "aerodynamic_efficiency", "flapping_efficiency")
_NAMED = 3
"""Sources of uncertainty named per result."""


def reduction_table(reduction: Reduction, comparison: Comparison | None = None) -> str:
    """Return a reduced log, and if given its residuals against a case, as lines of text."""
    strokes = reduction.strokes
    lines = [
        reduction.rig.title,
        *wrapped(
            f"{reduction.name}: {reduction.counts['rows']} rows at"
            f" {reduction.sample_rate_hz:.6g} Hz, {strokes.count} strokes,"
            f" {reduction.bench.strokes.count} accepted"
        ),
        "",
        f"{'Measured':<{_LABEL + 2}}{'value':>11}{'95 % from':>12}{'to':>11}",
    ]
    for name, found in reduction.account.estimates.items():
        cells = _cells((found.value, 11), (found.low, 12), (found.high, 11))
        unit = printed(MEASURED[name].unit)
        lines.append(f"  {_label(name):<{_LABEL}}{cells} {unit}".rstrip())
    lines += ["", "Uncertainty budget: largest sources, part of the variance"]
    for name in _BUDGETS:
        shares = reduction.account.budget.get(name, ())[:_NAMED]
        if shares:
            named = ", ".join(f"{share.source} {100.0 * share.part:.0f} %" for share in shares)
            lines += wrapped(f"{_label(name)}: {named}", "  ", "    ")
    repaired = [f"  {key}: {count}" for key, count in reduction.counts.items() if key != "rows"]
    repaired += [f"  strokes rejected, {why}: {n}" for why, n in strokes.rejected().items()]
    lines += ["", "Discarded or repaired", *(repaired or ["  nothing"])]
    lines += ["", "Warnings", *_notes(reduction.notes)]
    if comparison is not None:
        lines += ["", comparison_table(comparison)]
    return "\n".join([*lines, "", *wrapped(CAUTION)])


def comparison_table(comparison: Comparison) -> str:
    """Return residuals by harmonic, measured against predicted, as lines of text."""
    columns = ("measured", "predicted", "lag °", "residual", "std. unc.")
    lines = [
        f"Measured against {comparison.case.name}",
        f"  {'harmonic':<18}" + "".join(f"{column:>11}" for column in columns),
    ]
    for name, residuals in comparison.quantities.items():
        quantity = MEASURED_SERIES[name]
        lines.append(f"  {quantity.long_name}, {printed(quantity.unit)}")
        for one in residuals.harmonics[:5]:
            words = str(one.order) if one.order else "mean"
            numbers = (one.measured, one.predicted, one.lag_deg, one.residual, one.uncertainty)
            lines.append(f"    {words:<16}" + _cells(*((number, 11) for number in numbers)))
    if comparison.notes:
        lines += _notes(comparison.notes)
    return "\n".join(lines)


def calibration_table(calibration: Calibration, of_log: Sequence[str] = ()) -> str:
    """Return a fitted case as lines of text, with the warnings about its log."""
    width = max(len(found.key) for found in calibration.fitted) + 2
    lines = [
        *wrapped(f"Fitted to {', '.join(calibration.quantities)}; residuals are"
                  f" {calibration.misfit:.2f} times the scatter between strokes"),
        "",
        f"{'':<{width}}{'before':>11}{'fitted':>11}{'95 % from':>12}{'to':>11}",
    ]  # fmt: skip
    for found in calibration.fitted:
        cells = _cells((found.before, 11), (found.value, 11), (found.low, 12), (found.high, 11))
        known = "" if found.known else "  not determined"
        lines.append(f"{found.key:<{width}}{cells}{known}")
    lines += ["", "Warnings", *_notes([*calibration.warnings, *of_log])]
    return "\n".join([*lines, "", *wrapped(CAUTION)])


def _label(name: str) -> str:
    """Efficiencies by their names, which are shorter than their definitions."""
    if name.endswith("_efficiency"):
        return name.replace("_", " ")
    return MEASURED[name].long_name


def _cells(*cells: tuple[float, int]) -> str:
    """Numbers, each right-aligned in its width."""
    return "".join(f"{figures(value):>{width}}" for value, width in cells)


def _notes(notes: Sequence[str]) -> list[str]:
    return noted(notes) or ["  none"]
