"""Theodorsen's lift and Garrick's thrust: plunge, pitch, and both together.

The solver carries the shed wake as R. T. Jones's two exponentials.  So every table is met twice:
against the closed solution with Jones's lift function, where only the time step and the small
finite amplitude are left (the solver's own error), and against the exact Theodorsen function, where
the deviation is that of Jones's form, to be known and lived with.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache, partial

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from validation.check import (
    Checks,
    Comparison,
    Status,
    absolute,
    relative,
    worst_absolute,
    worst_relative,
)
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

FREQUENCIES = tuple(table("garrick_plunge").between("k", 0.05, 1.0)["k"])
PITCH_AXES = {"1/4": 0.25, "1/3": 1.0 / 3.0, "1/2": 0.5, "3/4": 0.75}

# Largest velocity ratio and pitch (rad) of a run held against linear theory: what finite amplitude
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
    quantity: Callable[[Loads, Loads], tuple[float, float]],
    worst: Callable[..., Comparison],
    motions: Sequence[Motion],
    lift_function: LiftFunction,
) -> Comparison:
    """Worst point of one quantity over several motions."""
    wake = lift_function is not quasi_steady_function
    pairs = [quantity(in_theory(m, lift_function), flown(m, wake)) for m in motions]
    expected, found = zip(*pairs, strict=True)
    return worst(expected, found, [m.label for m in motions])


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


def checks() -> Checks:
    """Every comparison of this family."""
    yield from plunge_checks()
    for name, axis in PITCH_AXES.items():
        yield from pitch_checks(name, axis)
    yield from heave_and_pitch_checks()
    yield from worked_example_checks()


def plunge_checks() -> Checks:
    """Pure plunge, all quantities, k = 0.05 to 1."""
    motions = [plunging(k) for k in FREQUENCIES]
    source = "Theodorsen (1935)"
    for form, function, status in (
        ("Jones form", jones_function, Status.EXACT),
        ("exact C(k)", theodorsen_function, Status.EXACT),
    ):
        tight = function is jones_function

        def why(inherent: str, tight: bool = tight) -> str:
            return WHY_TIGHT if tight else WHY_JONES + inherent

        pick = partial(compare, motions=motions, lift_function=function)
        yield relative(
            source=source,
            quantity=f"plunge, lift amplitude, {form}",
            status=status,
            tolerance=TIGHT if tight else 0.023,
            why=why("differs by up to 2.1 % of |C|, 2.2 % with apparent mass"),
            model=MODEL,
            compare=partial(pick, lift_amplitude, worst_relative),
        )
        yield absolute(
            source=source,
            quantity=f"plunge, lift phase, {form}",
            status=status,
            tolerance=TIGHT_DEG if tight else 1.35,
            why=WHY_TIGHT_PHASE if tight else WHY_JONES + "differs by up to 1.31 deg",
            model=MODEL,
            unit="deg",
            compare=partial(pick, lift_phase, worst_absolute),
        )
        yield relative(
            source="Garrick (1936)",
            quantity=f"plunge, thrust, {form}",
            status=status,
            tolerance=TIGHT if tight else 0.042,
            why=why("differs by up to 4.1 %: thrust goes with |C|^2"),
            model=MODEL,
            compare=partial(pick, mean_thrust, worst_relative),
        )
        yield relative(
            source="Garrick (1936)",
            quantity=f"plunge, power, {form}",
            status=status,
            tolerance=TIGHT if tight else 0.023,
            why=why("differs by up to 2.2 %: power goes with Re C"),
            model=MODEL,
            compare=partial(pick, mean_power, worst_relative),
        )
        yield absolute(
            source="Garrick (1936)",
            quantity=f"plunge, efficiency, {form}",
            status=status,
            tolerance=TIGHT if tight else 0.015,
            why=why("differs by up to 0.0144"),
            model=MODEL,
            compare=partial(pick, efficiency, worst_absolute),
        )
    quasi_steady = partial(compare, motions=motions, lift_function=quasi_steady_function)
    yield relative(
        source="Garrick (1936)",
        quantity="plunge without wake, thrust = 4 pi k^2 (z0/c)^2",
        status=Status.EXACT,
        tolerance=1e-6,
        why="an identity of the model at any amplitude; smooth integrands sum to rounding",
        model=MODEL_NO_WAKE,
        compare=partial(quasi_steady, mean_thrust, worst_relative),
    )
    yield relative(
        source="Garrick (1936)",
        quantity="plunge without wake, efficiency one",
        status=Status.EXACT,
        tolerance=1e-6,
        why="an identity of the model at any amplitude; smooth integrands sum to rounding",
        model=MODEL_NO_WAKE,
        compare=partial(quasi_steady, efficiency, worst_relative),
    )


def pitch_checks(name: str, axis: float) -> Checks:
    """Pure pitch about one axis."""
    motions = [pitching(axis, k) for k in FREQUENCIES]
    for form, function in (("Jones form", jones_function), ("exact C(k)", theodorsen_function)):
        tight = function is jones_function
        pick = partial(compare, motions=motions, lift_function=function)
        yield relative(
            source="Theodorsen (1935)",
            quantity=f"pitch about {name} chord, lift amplitude, {form}",
            status=Status.EXACT,
            tolerance=TIGHT if tight else 0.023,
            why=WHY_TIGHT if tight else WHY_JONES + "differs by up to 2.2 %",
            model=MODEL,
            compare=partial(pick, lift_amplitude, worst_relative),
        )
        yield absolute(
            source="Theodorsen (1935)",
            quantity=f"pitch about {name} chord, lift phase, {form}",
            status=Status.EXACT,
            tolerance=TIGHT_DEG if tight else 1.35,
            why=WHY_TIGHT_PHASE if tight else WHY_JONES + "differs by up to 1.31 deg",
            model=MODEL,
            unit="deg",
            compare=partial(pick, lift_phase, worst_absolute),
        )
        yield absolute(
            source="Garrick (1936)",
            quantity=f"pitch about {name} chord, thrust on the size of its parts, {form}",
            status=Status.EXACT,
            tolerance=TIGHT if tight else 0.01,
            why=(
                WHY_TIGHT
                if tight
                else WHY_JONES + "differs by up to 0.9 % of suction plus tilted pressure force"
            ),
            model=MODEL,
            compare=partial(pick, mean_thrust_by_size, worst_absolute),
        )
        if tight:
            yield relative(
                source="Garrick (1936)",
                quantity=f"pitch about {name} chord, power, {form}",
                status=Status.EXACT,
                tolerance=TIGHT,
                why=WHY_TIGHT,
                model=MODEL,
                compare=partial(pick, mean_power, worst_relative),
            )
            yield relative(
                source="Theodorsen (1935)",
                quantity=f"pitch about {name} chord, moment amplitude, {form}",
                status=Status.EXACT,
                tolerance=TIGHT,
                why=WHY_TIGHT,
                model=MODEL,
                compare=partial(pick, moment_amplitude, worst_relative),
            )
            yield absolute(
                source="Theodorsen (1935)",
                quantity=f"pitch about {name} chord, moment phase, {form}",
                status=Status.EXACT,
                tolerance=TIGHT_DEG,
                why=WHY_TIGHT_PHASE,
                model=MODEL,
                unit="deg",
                compare=partial(pick, moment_phase, worst_absolute),
            )
    if axis in (0.25, 1.0 / 3.0):
        yield absolute(
            source="Garrick (1936)",
            quantity=f"pitch about {name} chord, frequency where drag turns to thrust",
            status=Status.EXACT,
            tolerance=0.005,
            why=WHY_JONES + "moves it by 0.0035 and 0.0008",
            model=MODEL,
            unit="in k",
            compare=partial(thrust_onset, axis),
        )


def thrust_onset(axis: float) -> Comparison:
    """Frequency at which pitch about an axis begins to give thrust."""
    exact = brentq(lambda k: in_theory(pitching(axis, k), theodorsen_function).thrust, 0.6, 1.5)
    found = brentq(lambda k: flown(pitching(axis, float(k))).thrust, 0.6, 1.5, xtol=1e-4)
    return worst_absolute(exact, found, f"axis at {axis:.3g} chord")


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
) -> Comparison:
    """Relative deviation from a column of a table."""
    return worst_relative(expected, found, [m.label for m in motions])


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
            yield relative(
                source="Garrick (1936)",
                quantity=f"heave and pitch, {name}, {quantity}, Jones form",
                status=Status.EXACT,
                tolerance=TIGHT,
                why=WHY_TIGHT,
                model=MODEL,
                compare=lambda pick=pick, motions=motions: compare(
                    pick, worst_relative, motions(), jones_function
                ),
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
        yield relative(
            source="Garrick (1936)",
            quantity=f"heave and pitch, {name}, {column}, exact C(k)",
            status=Status.EXACT,
            tolerance=limit,
            why=WHY_JONES + f"differs by {why}",
            model=MODEL,
            compare=lambda motions=motions, rows=rows, column=column, value=value: against_table(
                motions(), rows[column], [value(flown(motion)) for motion in motions()]
            ),
        )
    yield relative(
        source="Theodorsen (1935)",
        quantity="heave and pitch, worked strokes, moment amplitude about the quarter chord",
        status=Status.EXACT,
        tolerance=TIGHT,
        why=WHY_TIGHT + "; C(k) has no part in it",
        model=MODEL,
        compare=lambda: against_table(
            worked_motions(),
            worked["CM_qc_amp"],
            [abs(flown(motion).moment) for motion in worked_motions()],
        ),
    )
    for column, value in (("CT_qs", thrust_of), ("CP_qs", power_of)):
        yield relative(
            source="Garrick (1936)",
            quantity=f"heave and pitch without wake, {column}",
            status=Status.EXACT,
            tolerance=1e-4,
            why="finite amplitude only: its square is 2.5e-5",
            model=MODEL_NO_WAKE,
            compare=lambda column=column, value=value: against_table(
                worked_motions(),
                worked[column],
                [value(flown(motion, False)) for motion in worked_motions()],
            ),
        )
    yield absolute(
        source="Garrick (1936)",
        quantity="heave and pitch, lead of greatest efficiency",
        status=Status.EXACT,
        tolerance=5.0,
        why="the efficiency is flat at its peak: 1 % of it is worth 5 deg",
        model=MODEL,
        unit="deg",
        compare=best_lead,
    )


def thrust_of(loads: Loads) -> float:
    return loads.thrust


def power_of(loads: Loads) -> float:
    return loads.power


def efficiency_of(loads: Loads) -> float:
    return loads.thrust / loads.power


def lift_of(loads: Loads) -> float:
    return abs(loads.lift)


def best_lead() -> Comparison:
    """Lead of pitch over heave at which the efficiency peaks, k = 0.3."""
    leads = np.arange(45.0, 106.0, 2.5)
    motions = [Motion(0.3, 0.5, np.radians(10.0), lead) for lead in leads]
    exact = [in_theory(m, theodorsen_function) for m in motions]
    runs = [flown(m) for m in motions]
    peaks = [
        float(leads[int(np.argmax([x.thrust / x.power for x in loads]))]) for loads in (exact, runs)
    ]
    return worst_absolute(peaks[0], peaks[1], "k = 0.3, heave 0.5 chord, pitch 10 deg")


def worked_example_checks() -> Checks:
    """Plunge of a quarter chord, at its real amplitude, and its history over the stroke."""
    rows = table("plunge_worked_example")
    for column, pick, limit, why in (
        ("CL_amp", lambda c: abs(first_harmonic(c.lift)), 0.03, "2.2 %"),
        ("CT_mean", lambda c: c.thrust_mean, 0.05, "4.1 %"),
        ("CP_mean", lambda c: c.power_mean, 0.03, "2.2 %"),
    ):
        yield relative(
            source="Garrick (1936)",
            quantity=f"plunge of a quarter chord at full amplitude, {column}",
            status=Status.EXACT,
            tolerance=limit,
            why=WHY_JONES + f"differs by {why}; the rest is the longer way a point travels",
            model=MODEL,
            compare=lambda column=column, pick=pick: worst_relative(
                rows[column],
                [pick(full_amplitude(k)) for k in rows["k"]],
                [f"k = {k:g}" for k in rows["k"]],
            ),
        )
    for column, limit, why in (
        ("CL_total", 0.032, "2.2 % in amplitude and 1.3 deg in phase are 3.2 % at an instant"),
        ("CT_inst", 0.06, "suction goes with the square of what is off by 2.1 % and 1.3 deg"),
        ("CP_inst", 0.032, "2.2 % in amplitude and 1.3 deg in phase are 3.2 % at an instant"),
    ):
        yield absolute(
            source="Theodorsen (1935)",
            quantity=f"plunge of a quarter chord, history of {column} on its greatest value",
            status=Status.EXACT,
            tolerance=limit,
            why=WHY_JONES + why,
            model=MODEL,
            compare=partial(history, column),
        )


@cache
def full_amplitude(k: float) -> Coefficients:
    """Plunge of a quarter chord, as large as it is."""
    return fly(oscillating_wing(k, 0.25))


def history(column: str) -> Comparison:
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
    return worst_absolute(expected, found, places)
