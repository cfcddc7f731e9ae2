"""Theodorsen's lift and Garrick's thrust: plunge, pitch, and both together.

The solver carries the shed wake as R. T. Jones's two exponentials. So every table is compared
twice: with the closed solution for Jones's lift function, where only the time step and the small
finite amplitude are left (the solver's own error), and with the exact Theodorsen function, where
the deviation is that of Jones's form, a known limit of the model.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from validation.check import Checks, Measure, Points, Source, Status
from validation.reference import table
from validation.textbook import (
    NO_WAKE,
    TWO_DIMENSIONAL,
    Coefficients,
    first_harmonic,
    fly,
    oscillating_wing,
    phase_difference_deg,
)
from validation.theory_section import (
    LiftFunction,
    SectionLoads,
    jones_function,
    oscillating_section,
    quasi_steady_function,
    theodorsen_function,
)

TITLE = "Oscillating section: Theodorsen and Garrick"

GARRICK = Source("Garrick (1936)", Status.EXACT)
THEODORSEN = Source("Theodorsen (1935)", Status.EXACT)

FREQUENCIES = tuple(table("garrick_plunge").between("k", 0.05, 1.0)["k"])
PITCH_AXES = {"1/4": 0.25, "1/3": 1.0 / 3.0, "1/2": 0.5, "3/4": 0.75}

# Largest velocity ratio and pitch (rad) of a run compared with linear theory: what finite amplitude
# adds is of its square, 2.5e-5.
SMALL = 0.005

TIGHT = 1e-4
TIGHT_DEG = 0.006
WHY_TIGHT = (
    "same theory: only the time step (256 a stroke) and the finite amplitude (2.5e-5) differ"
)
WHY_TIGHT_PHASE = "0.01 % of a radian"
WHY_JONES = "Jones's two exponentials in place of C(k): closed form against closed form "
MODEL = "thin airfoil, full suction, two-dimensional lag, no induced velocity, apparent mass"
MODEL_NO_WAKE = "thin airfoil, full suction, quasi-steady, no induced velocity, apparent mass"


@dataclass(frozen=True, slots=True)
class Motion:
    """Heave (over chord) and pitch (rad, leading by degrees) about an axis."""

    k: float
    heave: float = 0.0
    pitch: float = 0.0
    lead_deg: float = 0.0
    axis: float = 0.25

    @property
    def small(self) -> float:
        """Factor that brings the motion down to the small amplitude of linear theory."""
        return SMALL / max(2.0 * self.k * abs(self.heave), abs(self.pitch))

    @property
    def label(self) -> str:
        """Where in the table this is."""
        words = [f"k = {self.k:g}"]
        if self.heave and self.pitch:
            words.append(f"pitch {np.degrees(self.pitch):.3g} deg leading {self.lead_deg:g} deg")
        return ", ".join(words)


def plunging(k: float) -> Motion:
    """Plunge of unit amplitude over chord."""
    return Motion(k, heave=1.0)


def pitching(axis: float, k: float) -> Motion:
    """Pitch of unit amplitude about an axis."""
    return Motion(k, pitch=1.0, axis=axis)


@dataclass(frozen=True, slots=True)
class Loads:
    """Phasors and means of one motion, back at its full amplitude."""

    lift: complex
    moment: complex
    thrust: float
    power: float
    thrust_size: float


Quantity = Callable[[Loads, Loads], tuple[float, float]]
"""Takes one quantity out of the loads in theory and from the solver."""


@cache
def flown(motion: Motion, wake: bool = True) -> Loads:
    """Loads from the solver: the motion made small, the loads scaled back by linear theory."""
    small = motion.small
    result: Coefficients = fly(
        oscillating_wing(
            motion.k,
            motion.heave * small,
            motion.pitch * small,
            motion.lead_deg,
            motion.axis,
            TWO_DIMENSIONAL if wake else NO_WAKE,
        )
    )
    return Loads(
        first_harmonic(result.lift) / small,
        first_harmonic(result.moment) / small,
        result.thrust_mean / small**2,
        result.power_mean / small**2,
        np.nan,
    )


def in_theory(motion: Motion, lift_function: LiftFunction) -> Loads:
    """Loads from the closed form."""
    pitch = motion.pitch * np.exp(1j * np.radians(motion.lead_deg))
    loads: SectionLoads = oscillating_section(
        motion.k, motion.heave, pitch, motion.axis, lift_function
    )
    pressure = -0.5 * float(np.real(complex(loads.lift) * np.conj(pitch)))
    size = abs(float(loads.thrust) - pressure) + abs(pressure)
    return Loads(
        complex(loads.lift), complex(loads.moment), float(loads.thrust), float(loads.power), size
    )


def compare(
    quantity: Quantity,
    motions: Sequence[Motion],
    lift_function: LiftFunction,
) -> Points:
    """One quantity over several motions."""
    wake = lift_function is not quasi_steady_function
    pairs = [quantity(in_theory(m, lift_function), flown(m, wake)) for m in motions]
    expected, found = zip(*pairs, strict=True)
    return Points(expected, found, [m.label for m in motions])


def lift_amplitude(theory: Loads, run: Loads) -> tuple[float, float]:
    return abs(theory.lift), abs(run.lift)


def lift_phase(theory: Loads, run: Loads) -> tuple[float, float]:
    phase = float(np.degrees(np.angle(theory.lift)))
    return phase, phase + phase_difference_deg(run.lift, theory.lift)


def moment_amplitude(theory: Loads, run: Loads) -> tuple[float, float]:
    return abs(theory.moment), abs(run.moment)


def moment_phase(theory: Loads, run: Loads) -> tuple[float, float]:
    phase = float(np.degrees(np.angle(theory.moment)))
    return phase, phase + phase_difference_deg(run.moment, theory.moment)


def mean_thrust(theory: Loads, run: Loads) -> tuple[float, float]:
    return theory.thrust, run.thrust


def mean_thrust_by_size(theory: Loads, run: Loads) -> tuple[float, float]:
    # Suction and the tilted pressure force nearly cancel in pitch: judge by their size.
    return theory.thrust / theory.thrust_size, run.thrust / theory.thrust_size


def mean_power(theory: Loads, run: Loads) -> tuple[float, float]:
    return theory.power, run.power


def efficiency(theory: Loads, run: Loads) -> tuple[float, float]:
    return theory.thrust / theory.power, run.thrust / run.power


class Row(NamedTuple):
    """A quantity compared in both forms; ``limit`` None: not against the exact function."""

    source: Source
    measure: Measure
    quantity: str
    pick: Quantity
    limit: float | None = None
    difference: str = ""


PLUNGE = (
    Row(THEODORSEN, Measure.RELATIVE, "lift amplitude", lift_amplitude,
        0.023, "differs by up to 2.1 % of |C|, 2.2 % with apparent mass"),
    Row(THEODORSEN, Measure.ABSOLUTE, "lift phase", lift_phase, 1.35, "differs by up to 1.31 deg"),
    Row(GARRICK, Measure.RELATIVE, "thrust", mean_thrust,
        0.042, "differs by up to 4.1 %: thrust goes with |C|^2"),
    Row(GARRICK, Measure.RELATIVE, "power", mean_power,
        0.023, "differs by up to 2.2 %: power goes with Re C"),
    Row(GARRICK, Measure.ABSOLUTE, "efficiency", efficiency, 0.015, "differs by up to 0.0144"),
)  # fmt: skip
PITCH = (
    Row(THEODORSEN, Measure.RELATIVE, "lift amplitude", lift_amplitude,
        0.023, "differs by up to 2.2 %"),
    Row(THEODORSEN, Measure.ABSOLUTE, "lift phase", lift_phase, 1.35, "differs by up to 1.31 deg"),
    Row(GARRICK, Measure.ABSOLUTE, "thrust on the size of its parts", mean_thrust_by_size,
        0.01, "differs by up to 0.9 % of suction plus tilted pressure force"),
    Row(GARRICK, Measure.RELATIVE, "power", mean_power),
    Row(THEODORSEN, Measure.RELATIVE, "moment amplitude", moment_amplitude),
    Row(THEODORSEN, Measure.ABSOLUTE, "moment phase", moment_phase),
)  # fmt: skip


def checks() -> Checks:
    """Every comparison of this family."""
    plunge = [plunging(k) for k in FREQUENCIES]
    yield from in_both_forms("plunge", plunge, PLUNGE)
    for quantity, pick in (
        ("thrust = 4 pi k^2 (z0/c)^2", mean_thrust),
        ("efficiency one", efficiency),
    ):
        yield GARRICK.relative(
            f"plunge without wake, {quantity}",
            MODEL_NO_WAKE,
            partial(compare, pick, plunge, quasi_steady_function),
            1e-6,
            "an identity of the model at any amplitude; smooth integrands sum to rounding",
        )
    for name, axis in PITCH_AXES.items():
        pitch = [pitching(axis, k) for k in FREQUENCIES]
        yield from in_both_forms(f"pitch about {name} chord", pitch, PITCH)
        if axis in (0.25, 1.0 / 3.0):
            yield GARRICK.absolute(
                f"pitch about {name} chord, frequency where drag turns to thrust",
                MODEL,
                partial(thrust_onset, axis),
                0.005,
                WHY_JONES + "moves it by 0.0035 and 0.0008",
                unit="in k",
            )
    yield from heave_and_pitch_checks()
    yield from worked_example_checks()


def in_both_forms(what: str, motions: Sequence[Motion], rows: Sequence[Row]) -> Checks:
    """Against the closed solution with Jones's lift function, and with the exact one."""
    for row in rows:
        in_degrees = row.quantity.endswith("phase")
        yield row.source.check(
            row.measure,
            f"{what}, {row.quantity}, Jones form",
            MODEL,
            partial(compare, row.pick, motions, jones_function),
            TIGHT_DEG if in_degrees else TIGHT,
            WHY_TIGHT_PHASE if in_degrees else WHY_TIGHT,
            unit="deg" if in_degrees else "",
        )
    for row in rows:
        if row.limit is not None:
            yield row.source.check(
                row.measure,
                f"{what}, {row.quantity}, exact C(k)",
                MODEL,
                partial(compare, row.pick, motions, theodorsen_function),
                row.limit,
                WHY_JONES + row.difference,
                unit="deg" if row.quantity.endswith("phase") else "",
            )


def thrust_onset(axis: float) -> Points:
    """Frequency at which pitch about an axis begins to give thrust."""
    exact = brentq(lambda k: in_theory(pitching(axis, k), theodorsen_function).thrust, 0.6, 1.5)
    found = brentq(lambda k: flown(pitching(axis, float(k))).thrust, 0.6, 1.5, xtol=1e-4)
    return Points(exact, found, f"axis at {axis:.3g} chord")


def worked_motions() -> list[Motion]:
    """Heave and pitch about the quarter chord, as worked in the table."""
    rows = table("heave_pitch_worked_example")
    return [
        Motion(k, heave, np.radians(pitch), 90.0)
        for k, heave, pitch in zip(rows["k"], rows["z0_over_c"], rows["th0_deg"], strict=True)
    ]


def sweep_motions() -> list[Motion]:
    """Heave and pitch at one frequency, pitch leading by any angle."""
    rows = table("heave_pitch_phase_sweep")
    return [Motion(0.3, 0.5, np.radians(10.0), lead) for lead in rows["phi_lead_deg"]]


def against_table(
    motions: Sequence[Motion], expected: NDArray[np.float64], found: Sequence[float]
) -> Points:
    """Relative deviation from a column of a table."""
    return Points(expected, found, [m.label for m in motions])


def heave_and_pitch_checks() -> Checks:
    """Combined motion: closed Jones form, and the exact tables."""
    families = (("worked strokes", worked_motions), ("phase sweep", sweep_motions))
    for name, motions in families:
        for quantity, pick in (
            ("lift amplitude", lift_amplitude),
            ("thrust", mean_thrust),
            ("power", mean_power),
            ("efficiency", efficiency),
        ):
            yield GARRICK.relative(
                f"heave and pitch, {name}, {quantity}, Jones form",
                MODEL,
                lambda pick=pick, motions=motions: compare(pick, motions(), jones_function),
                TIGHT,
                WHY_TIGHT,
            )
    worked = table("heave_pitch_worked_example")
    sweep = table("heave_pitch_phase_sweep")
    for name, motions, rows, column, value, limit, why in (
        ("worked strokes", worked_motions, worked, "CT", thrust_of, 0.036, "up to 3.4 %"),
        ("worked strokes", worked_motions, worked, "CP", power_of, 0.025, "up to 2.4 %"),
        ("worked strokes", worked_motions, worked, "CL_amp", lift_of, 0.023, "up to 2.2 %"),
        ("worked strokes", worked_motions, worked, "eta", efficiency_of, 0.016, "up to 1.5 %"),
        ("phase sweep", sweep_motions, sweep, "CT", thrust_of, 0.054, "up to 5.3 %"),
        ("phase sweep", sweep_motions, sweep, "CP", power_of, 0.024, "up to 2.3 %"),
        ("phase sweep", sweep_motions, sweep, "eta", efficiency_of, 0.038, "up to 3.7 %"),
    ):
        yield GARRICK.relative(
            f"heave and pitch, {name}, {column}, exact C(k)",
            MODEL,
            lambda motions=motions, rows=rows, column=column, value=value: against_table(
                motions(), rows[column], [value(flown(motion)) for motion in motions()]
            ),
            limit,
            WHY_JONES + f"differs by {why}",
        )
    yield THEODORSEN.relative(
        "heave and pitch, worked strokes, moment amplitude about the quarter chord",
        MODEL,
        lambda: against_table(
            worked_motions(),
            worked["CM_qc_amp"],
            [abs(flown(motion).moment) for motion in worked_motions()],
        ),
        TIGHT,
        WHY_TIGHT + "; C(k) has no part in it",
    )
    for column, value in (("CT_qs", thrust_of), ("CP_qs", power_of)):
        yield GARRICK.relative(
            f"heave and pitch without wake, {column}",
            MODEL_NO_WAKE,
            lambda column=column, value=value: against_table(
                worked_motions(),
                worked[column],
                [value(flown(motion, False)) for motion in worked_motions()],
            ),
            1e-4,
            "finite amplitude only: its square is 2.5e-5",
        )
    yield GARRICK.absolute(
        "heave and pitch, lead of greatest efficiency",
        MODEL,
        best_lead,
        5.0,
        "the efficiency is flat at its peak: 1 % of it is worth 5 deg",
        unit="deg",
    )


def thrust_of(loads: Loads) -> float:
    return loads.thrust


def power_of(loads: Loads) -> float:
    return loads.power


def efficiency_of(loads: Loads) -> float:
    return loads.thrust / loads.power


def lift_of(loads: Loads) -> float:
    return abs(loads.lift)


def best_lead() -> Points:
    """Lead of pitch over heave at which the efficiency peaks, k = 0.3."""
    leads = np.arange(45.0, 106.0, 2.5)
    motions = [Motion(0.3, 0.5, np.radians(10.0), lead) for lead in leads]
    exact = [in_theory(m, theodorsen_function) for m in motions]
    runs = [flown(m) for m in motions]
    peaks = [
        float(leads[int(np.argmax([x.thrust / x.power for x in loads]))]) for loads in (exact, runs)
    ]
    return Points(peaks[0], peaks[1], "k = 0.3, heave 0.5 chord, pitch 10 deg")


def worked_example_checks() -> Checks:
    """Plunge of a quarter chord, at its real amplitude, and its history over the stroke."""
    rows = table("plunge_worked_example")
    for column, pick, limit, why in (
        ("CL_amp", lambda c: abs(first_harmonic(c.lift)), 0.03, "2.2 %"),
        ("CT_mean", lambda c: c.thrust_mean, 0.05, "4.1 %"),
        ("CP_mean", lambda c: c.power_mean, 0.03, "2.2 %"),
    ):
        yield GARRICK.relative(
            f"plunge of a quarter chord at full amplitude, {column}",
            MODEL,
            lambda column=column, pick=pick: Points(
                rows[column],
                [pick(full_amplitude(k)) for k in rows["k"]],
                [f"k = {k:g}" for k in rows["k"]],
            ),
            limit,
            WHY_JONES + f"differs by {why}; the rest is the longer way a point travels",
        )
    for column, limit, why in (
        ("CL_total", 0.032, "2.2 % in amplitude and 1.3 deg in phase are 3.2 % at an instant"),
        ("CT_inst", 0.06, "suction goes with the square of what is off by 2.1 % and 1.3 deg"),
        ("CP_inst", 0.032, "2.2 % in amplitude and 1.3 deg in phase are 3.2 % at an instant"),
    ):
        yield THEODORSEN.absolute(
            f"plunge of a quarter chord, history of {column} on its greatest value",
            MODEL,
            partial(history, column),
            limit,
            WHY_JONES + why,
        )


@cache
def full_amplitude(k: float) -> Coefficients:
    """Plunge of a quarter chord, as large as it is."""
    return fly(oscillating_wing(k, 0.25))


def history(column: str) -> Points:
    """Largest instantaneous deviation over the stroke on the greatest value of the table."""
    rows = table("plunge_time_history")
    expected, found, places = [], [], []
    for k in sorted(set(rows["k"])):
        at = rows.where(k=k)
        small = SMALL / (2.0 * k)
        run = fly(oscillating_wing(k, small))
        series, power = {
            "CL_total": (run.lift, 1),
            "CT_inst": (run.thrust, 2),
            "CP_inst": (run.power, 2),
        }[column]
        every = len(series) // len(at[column])
        values = series[::every] * (0.25 / small) ** power
        size = np.max(np.abs(at[column]))
        expected.extend(at[column] / size)
        found.extend(values / size)
        places.extend(f"k = {k:g}, t/T = {t:g}" for t in at["t_over_T"])
    return Points(expected, found, places)
