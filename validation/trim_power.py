"""Trim and power of whole craft: an independent trial, common practice, birds, random craft.

The independent trial of the glasshouse craft states its options, but neither whether it kept the
leading-edge suction of the case (0.8) nor how it counts its area, so it is read in two ways. With
suction 0.8 and the moving area, amplitude and power agree to 0.05 and 1.8 %, but the body pitch is
3.44 deg, not 3.6: that is 1.8 % of the incidence from zero lift (8.6 deg), to which lift is
proportional, and 4.3 % of the pitch. Neither strips, steps, the place of the twist axis, apparent
mass, friction, mean plunge nor the standard of gravity moves it by as much; the aspect ratio does.
With full suction, as a thin airfoil has it, and the area between the shoulders counted in the
aspect ratio (4.83, not 5.22), all three agree to 0.5 %: 20.41 deg, 3.62 deg, 2.09 W. Which of the
two the trial was is not known. The pigeon-sized craft has its least power at 11.5 m/s,
where a pigeon has it at 8 to 9 m/s (Pennycuick 1968): a rigid wing of one camber stalls at a lift
coefficient that a bird exceeds with wing, alula and tail.

The two-metre craft takes 9.4 W in level flight, not about 16 W: of its 9.4 W the air takes 2.8 W,
the motor 3.4 W, gear and unrecovered work 1.2 W, electronics 2.0 W. Three times the drag area
(open gear, struts, a blunt body) makes that 12.2 W, a sharp leading edge 16.1 W, a hinge without a
balance spring 16.4 W: what separates a usual craft from ours is drag and suction, not the drive.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from pathlib import Path

import numpy as np
from scipy.optimize import root

from flapsim.case import Case, read_case
from flapsim.cycle.results import wing_loads
from flapsim.flight.balance import ideal_power
from flapsim.flight.search import TrimBatch, TrimStatus, trim_many
from flapsim.flight.trim import Trim, trim
from flapsim.half_wing.pack import pack
from flapsim.kernel import layout as at
from flapsim.kernel import solve
from flapsim.wing.body import weight
from flapsim.wing.strips import strips
from validation.check import CHOSEN, Checks, Points, Source, Status
from validation.sane_craft import PLUNGES, sane_craft

TITLE = "Trim and power of whole craft"

CASES = Path(__file__).parents[1] / "cases"
PITCH_AND_PLUNGE = ("flight.pitch_deg", PLUNGES)
WITH_TAIL = (*PITCH_AND_PLUNGE, "craft.tail.angle_deg")

TRIAL = Source(
    "Independent trial of the glasshouse craft (slope, two-dimensional lag, thin airfoil)",
    Status.MEMORY,
)
TRIAL_AMPLITUDE_DEG, TRIAL_PITCH_DEG, TRIAL_POWER_W = 20.4, 3.6, 2.10
TRIAL_OPTIONS = {
    "model.induced": "slope",
    "model.wake_lag": "two-dimensional",
    "wing.section": {
        "law": "thin-airfoil",
        "zero_lift_deg": -5.0,
        "suction": 0.8,
        "friction": 0.03,
    },
}
TRIAL_WORDS = "slope, two-dimensional lag, thin airfoil, suction 0.8, friction number 0.03"
OTHER_WORDS = (
    "slope, two-dimensional lag, thin airfoil, suction 1, friction number 0.03, gross area"
)
PITCH_OPEN = "given to 1.4 %, and whether the area between the shoulders counts moves it by 5.5 %"
TWO_PER_CENT = "two models with the same options, given to two or three digits"

PRACTICE = Source("Common practice, no source", Status.MEMORY)
LEVEL_WATTS, TAKE_OFF_WATTS = 16.0, 25.0
TAKE_OFF_RATE = 1.0
"""Rate of climb that stands for take-off, m/s."""

BIRDS = Source(
    "Pennycuick (1968), Morris, Nelson & Askew (2010), Taylor, Nudds & Thomas (2003)",
    Status.PUBLISHED,
)
PROFILE_DRAG, BODY_DRAG = 0.02, 0.13
FRONTAL_AREA, FRONTAL_POWER = 0.00813, 0.666
"""Body frontal area of birds, m2 and kg; from memory (Pennycuick)."""

CRAFT_COUNT = 200


def checks() -> Checks:
    """Every comparison of this family."""
    yield from trial_checks()
    yield from trade_checks()
    yield from bird_checks()
    yield from random_checks()


# --- the independent trial ----------------------------------------------------------------------


def trial_checks() -> Checks:
    """Glasshouse craft with the options of an independent model."""
    reported = (TRIAL_AMPLITUDE_DEG, TRIAL_PITCH_DEG, TRIAL_POWER_W)
    names = ("plunge amplitude in trim", "body pitch in trim", "aerodynamic power in trim")
    for place, quantity in enumerate(names):
        is_pitch = quantity.startswith("body pitch")
        yield TRIAL.relative(
            quantity,
            TRIAL_WORDS,
            lambda place=place: Points(reported[place], first_reading()[place]),
            0.06 if is_pitch else 0.02,
            PITCH_OPEN if is_pitch else TWO_PER_CENT,
        )
    yield TRIAL.relative(
        "incidence of the body from zero lift in trim",
        TRIAL_WORDS,
        lambda: Points(TRIAL_PITCH_DEG + 5.0, first_reading()[1] + 5.0),
        0.02,
        TWO_PER_CENT,
    )
    yield TRIAL.relative(
        "plunge amplitude, body pitch and aerodynamic power in trim, second reading",
        OTHER_WORDS,
        lambda: Points(reported, second_reading(), names),
        0.02,
        TWO_PER_CENT,
    )
    yield CHOSEN.absolute(
        "every balance enforced in trim, over the weight",
        "defaults",
        lambda: Points(
            np.zeros(5),
            [*misfits(trimmed("glasshouse", PITCH_AND_PLUNGE)), *misfits(trimmed("two_metre"))],
        ),
        1e-8,
        "ten times what the search asks for",
    )


@cache
def trial() -> Trim:
    """The glasshouse craft with the options of the trial."""
    return trim(read_case(CASES / "glasshouse.toml").replace(TRIAL_OPTIONS), PITCH_AND_PLUNGE)


@cache
def trimmed(name: str, free: tuple[str, ...] = WITH_TAIL) -> Trim:
    """A case as it ships, trimmed."""
    return trim(read_case(CASES / f"{name}.toml"), free)


def misfits(state: Trim) -> list[float]:
    """Misfits of the balances that were enforced."""
    return [state.residual[name] for name in state.hold]


def first_reading() -> tuple[float, float, float]:
    """Plunge amplitude and body pitch, deg, and power, W: suction of the case, moving area."""
    state = trial()
    return amplitude(state), state.solution["flight.pitch_deg"], power(state)


@cache
def second_reading() -> tuple[float, float, float]:
    """The same with full suction, and the area between the shoulders in the aspect ratio.

    The package counts the moving area; the aspect ratio of the packed design is set by hand, which
    with slope induction and a two-dimensional lag enters the induced velocity alone.
    """
    case = trial().case.replace({"wing.section.suction": 1.0})
    inner = case.wing.inner.chord_m[0][1]

    def state(unknown: Sequence[float]) -> tuple[Case, dict[str, np.ndarray]]:
        pitch, swing = (float(x) for x in unknown)
        changes = dict.fromkeys(PLUNGES.split("+"), swing) | {"flight.pitch_deg": pitch}
        here = case.replace(changes)
        half = pack(here)
        wing = half.strips
        counted = wing.area + 2.0 * case.craft.shoulder_offset_m * inner
        constant = half.batch.constant.copy()
        constant[at.CONST_ASPECT_RATIO] *= wing.area / counted
        mean = solve(half.batch._replace(constant=constant)).mean
        return here, wing_loads(here, mean, mean)

    def misfit(unknown: Sequence[float]) -> list[float]:
        here, loads = state(unknown)
        pressure = 0.5 * here.air.density * here.flight.airspeed_m_s**2
        drag = pressure * here.craft.body_drag_area_m2
        lift, thrust = float(loads["lift_n"][0]), float(loads["thrust_n"][0])
        return [lift / weight(here) - 1.0, (thrust - drag) / weight(here)]

    found = root(misfit, [TRIAL_PITCH_DEG, TRIAL_AMPLITUDE_DEG], tol=1e-10).x
    loads = state(found)[1]
    return float(found[1]), float(found[0]), float(loads["aero_power_w"][0])


def amplitude(state: Trim) -> float:
    """Plunge amplitude of the inner segment, deg."""
    return state.solution["stroke.inner.plunge.amplitude_deg"]


def power(state: Trim) -> float:
    """Aerodynamic power, W."""
    return state.cycle.mean["aero_power_w"]


# --- common practice ----------------------------------------------------------------------------


def trade_checks() -> Checks:
    """Two metres and 0.45 kg: about 16 W electrical in level flight, about 25 W at take-off."""
    for quantity, reference, state in (
        ("electrical power of a two-metre craft in level flight", LEVEL_WATTS, level_state),
        ("electrical power of a two-metre craft at take-off", TAKE_OFF_WATTS, take_off_state),
    ):
        yield PRACTICE.relative(
            quantity,
            "defaults, two_metre.toml",
            lambda reference=reference, state=state: Points(
                reference, state().watts["electrical_power_w"]
            ),
            0.5,
            "an order of magnitude, given without drag, twist or drive: a factor of two below",
        )
    yield CHOSEN.at_least(
        "watts that each usual fault adds, at least",
        "defaults, two_metre.toml with faults",
        lambda: Points(np.zeros(len(FAULTS)), np.diff(faulty_watts())),
        why="a fault costs power",
        unit="W",
    )


def level_state() -> Trim:
    """The two-metre craft in level flight."""
    return trimmed("two_metre")


@cache
def take_off_state() -> Trim:
    """The same craft climbing as it does after it left the hand."""
    case = read_case(CASES / "two_metre.toml")
    climb = math.degrees(math.asin(TAKE_OFF_RATE / case.flight.airspeed_m_s))
    return trim(case.replace({"flight.climb_deg": climb}), WITH_TAIL)


FAULTS = (
    ("a drag area three times as large: open gear, struts, a blunt body",
     {"craft.body_drag_area_m2": 0.027}),
    ("no suction at a sharp leading edge", {"wing.section.suction": 0.0}),
    ("no balance spring", {"drive.balance_spring": None}),
)  # fmt: skip
"""What a usual craft has against ours, one after the other."""


@cache
def faulty_watts() -> tuple[float, ...]:
    """Electrical power in level flight as the usual faults add up, W."""
    case = read_case(CASES / "two_metre.toml")
    out = [level_state().watts["electrical_power_w"]]
    for _, changes in FAULTS:
        case = case.replace(changes)
        out.append(trim(case, WITH_TAIL).watts["electrical_power_w"])
    return tuple(out)


# --- birds --------------------------------------------------------------------------------------


def bird_checks() -> Checks:
    """Wings of 0.4 to 0.45 kg against a fixed wing with the drag of a bird."""
    for name, state in (("two-metre craft", level_state), ("pigeon-sized craft", pigeon_sized)):
        yield BIRDS.at_least(
            f"power of a {name}, at least that of a fixed wing with a bird's drag",
            "defaults",
            lambda state=state: Points(1.0, over_fixed_wing(state())),
            why="no flapping wing undercuts an elliptic one of that span and drag",
        )
        yield BIRDS.at_most(
            f"power of a {name}, at most four times that of a fixed wing",
            "defaults",
            lambda state=state: Points(4.0, over_fixed_wing(state())),
            why="beyond that no bird would fly",
        )
        yield BIRDS.absolute(
            f"cruise Strouhal number of a {name}",
            "defaults",
            lambda state=state: Points(0.3, state().cycle.check["strouhal"]),
            0.1,
            "42 species cruise between 0.2 and 0.4",
        )


@cache
def pigeon_sized() -> Trim:
    """The glasshouse wing at the span, mass and drag of a pigeon, at its best-range speed."""
    case = read_case(CASES / "glasshouse.toml")
    size, slender = 0.67 / 1.2, 0.63
    outer = case.wing.outer
    assert outer is not None

    def chords(given: tuple[tuple[float, float], ...]) -> list[list[float]]:
        return [[at, chord * size * slender] for at, chord in given]

    mass = 0.40
    changes = {
        "craft.mass_kg": mass,
        "craft.shoulder_offset_m": size * case.craft.shoulder_offset_m,
        "craft.body_drag_area_m2": BODY_DRAG * frontal_area(mass),
        "flight.airspeed_m_s": 13.4,
        "wing.inner.length_m": size * case.wing.inner.length_m,
        "wing.inner.chord_m": chords(case.wing.inner.chord_m),
        "wing.outer.length_m": size * outer.length_m,
        "wing.outer.chord_m": chords(outer.chord_m),
        "stroke.frequency_hz": 7.0,
        "drive": None,
    }
    return trim(case.replace(changes), PITCH_AND_PLUNGE)


def frontal_area(mass: float) -> float:
    """Frontal area of a bird's body, m2."""
    return FRONTAL_AREA * mass**FRONTAL_POWER


def over_fixed_wing(state: Trim) -> float:
    """Aerodynamic power over that of an elliptic wing of that span with a bird's drag."""
    case: Case = state.case
    area = strips(case.wing, case.craft.shoulder_offset_m).area
    mass = weight(case) / 9.80665
    bird = case.replace({"craft.body_drag_area_m2": BODY_DRAG * frontal_area(mass)})
    speed = case.flight.airspeed_m_s
    profile = 0.5 * case.air.density * speed**3 * PROFILE_DRAG * area
    return power(state) / (float(ideal_power(bird)) + profile)


# --- random craft -------------------------------------------------------------------------------


def random_checks() -> Checks:
    """Many sane craft: most trim, the others are far from balance."""
    source = Source(f"{CRAFT_COUNT} random but sane craft", Status.OWN)
    model = "all induced models and laws for thin wings, 48 steps"
    yield source.at_most(
        "worst balance of those that trim, over the weight",
        model,
        lambda: Points(1e-8, max(worst_misfit(t) for t in those_trimmed())),
        why="the promise of a trim",
    )
    yield source.at_most(
        "power of those that trim, over an ideal fixed wing",
        model,
        lambda: Points(10.0, max(over_ideal())),
        why="a poor stroke takes several times the ideal power, the violent branch a hundred times",
    )
    yield source.at_least(
        "least misfit of those that are refused, over the weight",
        model,
        lambda: Points(1e-4, min(worst_misfit(t) for t in those_refused())),
        why="what is refused must be far from balance: ten thousand times what counts as balanced",
    )
    yield source.at_most(
        "median number of designs solved to trim one",
        model,
        lambda: Points(59.0, float(np.median(designs_per_trim()))),
        why="the goal set: fewer than 60",
    )
    yield source.at_least(
        "part that trims",
        model,
        lambda: Points(0.5, len(those_trimmed()) / CRAFT_COUNT),
        why="sane craft, of which a quarter has no twist: half should fly",
    )


@cache
def random_trims() -> tuple[tuple[Case, TrimBatch], ...]:
    """Every random craft with its trim."""
    out = []
    for seed in range(CRAFT_COUNT):
        case, free = sane_craft(seed)
        out.append((case, trim_many(case, None, free)))
    return tuple(out)


def those_trimmed() -> list[TrimBatch]:
    """Trims that succeeded."""
    return [many for _, many in random_trims() if many.status[0] == TrimStatus.TRIMMED]


def those_refused() -> list[TrimBatch]:
    """Trims that were refused."""
    return [many for _, many in random_trims() if many.status[0] != TrimStatus.TRIMMED]


def worst_misfit(many: TrimBatch) -> float:
    """Largest misfit of a balance, over the weight."""
    return max(abs(float(values[0])) for values in many.residual.values())


def over_ideal() -> list[float]:
    """Power of those that trim over that of an ideal fixed wing."""
    out = []
    for case, many in random_trims():
        if many.trimmed[0]:
            state = case.replace({key: float(v[0]) for key, v in many.solution.items()})
            out.append(float(many.results["mean.aero_power_w"][0] / ideal_power(state)))
    return out


def designs_per_trim() -> list[int]:
    """Designs solved for each trim that succeeded."""
    return [int(many.evaluations[0]) for many in those_trimmed()]
