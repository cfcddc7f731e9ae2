"""The periodic schedules of a stroke, from what the case asks for.

Angles: plunge tip-up, sweep aft, twist nose-up. The starboard half is described; the port half is
its mirror image in y. Where a twist is compliant, the schedule here is the command.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Heave, Schedule, Stroke, Twist
from flapsim.case.tables import read_samples
from flapsim.faults import CaseError, Fault
from flapsim.wing.schedule import (
    HARMONICS,
    LinkageError,
    Series,
    broadcast_lanes,
    fourier,
    harmonic,
    linkage,
    periodic_samples,
    quick_return,
)

Array = NDArray[np.float64]

# Rows of a stroke's schedules.
SCHEDULES = 8
PLUNGE_INNER, PLUNGE_OUTER, SWEEP_OUTER = range(3)
TWIST_INNER_ROOT, TWIST_INNER_TIP, TWIST_OUTER_ROOT, TWIST_OUTER_TIP, HEAVE = range(3, SCHEDULES)

# Largest error of a truncated schedule, relative to half its range: a thousandth of a 30 degree
# amplitude is 0.03 degrees, below what a bench measures.
TRUNCATION_LIMIT = 1e-3


def stroke_schedules(
    stroke: Stroke, side: Literal["starboard", "port"], folder: Path, file: str = "case"
) -> tuple[Array, Array]:
    """The eight schedules of one half of the wing, and their largest truncation.

    Schedules: rows ``PLUNGE_INNER`` ... ``HEAVE``, shape (8, 2 * HARMONICS + 1, ...); rad, heave in
    m; zeros for what the stroke leaves out. Truncation: relative to half the range of the schedule.
    ``folder`` holds the files that schedules name; ``file`` is the name of the case in messages.

    Raises CaseError with every fault: unreadable samples, a linkage whose crank cannot turn, a
    schedule that ``HARMONICS`` harmonics do not describe within ``TRUNCATION_LIMIT``.

    Twist is measured from the body x axis. A root without a schedule follows the body (inner
    segment) or the inner tip (outer segment). The tip of a segment without twist follows its root,
    and so does, at the rest angle, that of a passive one; for servo and passive twist the schedule
    is the command. Without a port stroke the port half mirrors the starboard one.
    """
    collected = _Collected(folder, file)
    port = stroke.port if side == "port" else None
    inner, inner_key = stroke.inner, "stroke.inner"
    outer, outer_key = stroke.outer, "stroke.outer"
    if port is not None and port.inner is not None:
        inner, inner_key = port.inner, "stroke.port.inner"
    if port is not None and port.outer is not None:
        outer, outer_key = port.outer, "stroke.port.outer"

    rows: list[Array] = [np.zeros(2 * HARMONICS + 1)] * SCHEDULES
    rows[PLUNGE_INNER] = collected.coefficients(inner.plunge, f"{inner_key}.plunge.")
    rows[TWIST_INNER_ROOT], rows[TWIST_INNER_TIP] = _twist_ends(
        inner.twist, np.zeros(2 * HARMONICS + 1), f"{inner_key}.twist.", collected
    )
    if outer is not None:
        rows[PLUNGE_OUTER] = collected.coefficients(outer.plunge, f"{outer_key}.plunge.")
        rows[SWEEP_OUTER] = collected.coefficients(outer.sweep, f"{outer_key}.sweep.")
        rows[TWIST_OUTER_ROOT], rows[TWIST_OUTER_TIP] = _twist_ends(
            outer.twist, rows[TWIST_INNER_TIP], f"{outer_key}.twist.", collected
        )
    rows[HEAVE] = collected.coefficients(stroke.heave, "stroke.heave.", "m")
    if collected.faults:
        raise CaseError(collected.faults)
    return np.stack(broadcast_lanes(rows)), collected.truncation


def _twist_ends(
    twist: Twist | None, carrier: Array, key: str, collected: _Collected
) -> tuple[Array, Array]:
    """Return the schedules of the segment's root and tip; `carrier` is what the root hangs on."""
    if twist is None:
        return carrier, carrier
    root = carrier if twist.root is None else collected.coefficients(twist.root, f"{key}root_")
    if twist.mode == "passive":
        rest = harmonic(np.radians(twist.rest_deg), 0.0, 0.0).coefficients
        return root, np.add(*broadcast_lanes([root, rest]))
    return root, collected.coefficients(twist.tip, f"{key}tip_")


class _Written(NamedTuple):
    """A schedule as written, in SI units.

    `unit` is that of its values in the case file; `lengths` are those of `_LINKS`.
    """

    shape: str
    mean: ArrayLike
    amplitude: ArrayLike
    lag: ArrayLike
    downstroke_fraction: ArrayLike
    cos: Array
    sin: Array
    file: str | None
    unit: str
    lengths: dict[str, ArrayLike]


_LINKS = ("crank", "rocker", "coupler", "base")


def _written(schedule: Schedule | Heave, unit: Literal["deg", "m"]) -> _Written:
    convert = np.radians if unit == "deg" else np.asarray

    def value(name: str) -> Any:
        return getattr(schedule, f"{name}_{unit}")

    lengths = {name: getattr(schedule, f"{name}_m", None) for name in _LINKS}
    return _Written(
        schedule.shape,
        convert(value("mean")),
        convert(value("amplitude")),
        np.radians(schedule.lag_deg),
        schedule.downstroke_fraction,
        convert(_stacked(value("cos"))),
        convert(_stacked(value("sin"))),
        schedule.file,
        unit,
        {name: 0.0 if length is None else length for name, length in lengths.items()},
    )


def _stacked(values: Sequence[ArrayLike]) -> Array:
    """Return coefficients as an array whose last axis, if any of them is a column, is the lanes."""
    if not values:
        return np.zeros(0)
    return np.stack(np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in values)))


@dataclass
class _Collected:
    """Series of the schedules read so far, with what was found wrong and the worst truncation."""

    folder: Path
    file: str
    faults: list[Fault] = field(default_factory=list)
    truncation: Array = field(default_factory=lambda: np.zeros(()))

    def coefficients(
        self, schedule: Schedule | Heave | None, key: str, unit: Literal["deg", "m"] = "deg"
    ) -> Array:
        """Coefficients of a schedule, rad or m; zeros if it is absent or at fault."""
        if schedule is None:
            return np.zeros(2 * HARMONICS + 1)
        written = _written(schedule, unit)
        try:
            series = _FORMS[written.shape](written, self.folder)
        except CaseError as error:
            self.faults += error.faults
            return np.zeros(2 * HARMONICS + 1)
        except LinkageError as error:
            self.faults.append(_linkage_fault(self.file, key, error))
            return np.zeros(2 * HARMONICS + 1)
        self.truncation = np.maximum(self.truncation, series.truncation)
        worst = float(np.max(series.truncation))
        if worst > TRUNCATION_LIMIT:
            self.faults.append(_truncation_fault(self.file, key, written, worst))
        return series.coefficients


def _sampled(written: _Written, folder: Path) -> Series:
    """Return the series of a file of samples."""
    angle = written.unit == "deg"
    column = "angle_deg" if angle else "height_m"
    phase, value = read_samples(folder / str(written.file), column)
    return periodic_samples(phase, np.radians(value) if angle else value)


# One row per shape a schedule may have: the shape's name in a case file and its series.
_FORMS: dict[str, Callable[[_Written, Path], Series]] = {
    "harmonic": lambda w, _: harmonic(w.mean, w.amplitude, w.lag),
    "quick-return": lambda w, _: quick_return(w.mean, w.amplitude, w.lag, w.downstroke_fraction),
    "fourier": lambda w, _: fourier(w.mean, w.cos, w.sin),
    "samples": _sampled,
    "linkage": lambda w, _: linkage(**w.lengths, mean=w.mean, lag=w.lag),
}


def _linkage_fault(file: str, key: str, error: LinkageError) -> Fault:
    """Name the lengths that keep the crank from turning."""
    given = ", ".join(f"{name}_m = {error.lengths[name]:g}" for name in error.offending)
    return Fault(
        file, f"{key}{error.offending[0]}_m", given, error.condition, "else the crank cannot turn"
    )


def _truncation_fault(file: str, key: str, written: _Written, truncation: float) -> Fault:
    """Name the key that asks for more than the harmonics can follow."""
    source = {
        "quick-return": "downstroke_fraction",
        "fourier": f"cos_{written.unit}",
        "samples": "file",
        "linkage": "crank_m",
    }
    return Fault(
        file,
        key + source[written.shape],
        f"a motion that {HARMONICS} harmonics miss by {100.0 * truncation:.2g} % of half its range",
        f"one that they miss by at most {100.0 * TRUNCATION_LIMIT:g} %",
        "smooth it or round off its corners",
    )
