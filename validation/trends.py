"""Trends that published work reports: not numbers to meet, but directions to keep.

Each is an inequality the solver could break: which way a quantity goes when something is changed.
The reference is the abstract of the paper; strokes and wings are ours.
"""

from __future__ import annotations

from functools import cache, partial

import numpy as np
from scipy.optimize import brentq, root

from validation.check import STRICT, Checks, Points, Source, Status
from validation.flapping_line import hinged
from validation.minimum_loss import SMALL_VELOCITY, Stroke, bound, flown
from validation.revolving_wing import revolving
from validation.textbook import (
    AIRSPEED,
    CHORD,
    TWO_DIMENSIONAL,
    VISCOSITY,
    Coefficients,
    SteadySection,
    as_case,
    coefficients,
    fly,
    one_segment_tables,
    one_segment_wing,
    section_frequency,
    steady_section,
)

TITLE = "Published trends"

LAU = Source("Lau & Kelso (2016)", Status.PUBLISHED)
FLORYAN = Source("Floryan, Van Buren & Smits (2018)", Status.PUBLISHED)
USHERWOOD = Source("Usherwood & Ellington (2002)", Status.PUBLISHED)

MODEL_WING = "thin airfoil, no friction, quasi-steady, lifting line, AR 8"
MODEL_FOIL = "thin airfoil, two-dimensional lag, no induced velocity"

FREQUENCY = 4.0
HALF_SPAN = 4.0 * CHORD
HEAVE = 0.75
"""Heave of the oscillating foil over its chord, as usual in towing-tank work."""


def checks() -> Checks:
    """Every comparison of this family."""
    yield from amplitude_checks()
    yield from twist_checks()
    yield from foil_checks()
    yield from separated_checks()
    yield from outer_lag_checks()


@cache
def twisted(amplitude_deg: float, twist_deg: float, pitch_deg: float = 0.0) -> Coefficients:
    """Root-hinged wing with linear twist leading by a right angle."""
    return fly(
        one_segment_wing(
            frequency=FREQUENCY,
            half_span=HALF_SPAN,
            plunge={"amplitude_deg": amplitude_deg},
            pitch_deg=pitch_deg,
            twist={"tip_amplitude_deg": twist_deg, "tip_lag_deg": -90.0},
            model={"induced": "lifting-line", "wake": "quasi-steady"},
        )
    )


def feathering_deg(amplitude_deg: float) -> float:
    """Greatest path angle of the tip."""
    tip = np.radians(amplitude_deg) * HALF_SPAN * 2.0 * np.pi * FREQUENCY
    return float(np.degrees(np.arctan(tip / AIRSPEED)))


@cache
def loss_for_thrust(amplitude_deg: float, thrust: float = 0.03) -> float:
    """Wake loss of the stroke of an amplitude that gives a thrust and no lift."""
    feathered = feathering_deg(amplitude_deg)
    twist = brentq(
        lambda angle: twisted(amplitude_deg, angle).thrust_mean - thrust, 0.0, feathered, xtol=1e-6
    )
    return twisted(amplitude_deg, twist).wake_loss_mean


@cache
def loss_for_lift_and_thrust(
    amplitude_deg: float, lift: float = 0.5, thrust: float = 0.03
) -> float:
    """Wake loss of the stroke of an amplitude that gives a lift and a thrust; NaN if none."""

    def balance(unknown: np.ndarray) -> list[float]:
        run = twisted(amplitude_deg, float(unknown[1]), float(unknown[0]))
        return [run.lift_mean - lift, 10.0 * (run.thrust_mean - thrust)]

    found = root(balance, [6.0, 0.7 * feathering_deg(amplitude_deg)], tol=1e-9)
    if not found.success:
        return float("nan")
    return twisted(amplitude_deg, float(found.x[1]), float(found.x[0])).wake_loss_mean


def amplitude_checks() -> Checks:
    """Thrust is cheaper with more amplitude; lift and thrust together have a best amplitude."""
    source = Source("Hall & Hall (1996)", Status.PUBLISHED)
    yield source.at_most(
        "wake loss at a given thrust without lift falls as the amplitude grows",
        MODEL_WING + ", CT 0.03, 8 to 15 deg",
        thrust_gets_cheaper,
    )
    yield source.at_most(
        "at a given lift and thrust, 15 deg loses less to the wake than 10 and 40 deg",
        MODEL_WING + ", CL 0.5, CT 0.03",
        best_amplitude_inside,
    )


def thrust_gets_cheaper() -> Points:
    """Loss at each amplitude under that at the one before."""
    amplitudes = (8.0, 10.0, 12.0, 15.0)
    losses = [loss_for_thrust(amplitude) for amplitude in amplitudes]
    return Points(losses[:-1], losses[1:], [f"{a:g} deg" for a in amplitudes[1:]])


def best_amplitude_inside() -> Points:
    """Loss at the middle amplitude under those at both ends."""
    ends = (10.0, 40.0)
    middle = loss_for_lift_and_thrust(15.0)
    return Points(
        [loss_for_lift_and_thrust(end) for end in ends],
        [middle] * len(ends),
        [f"against {end:g} deg" for end in ends],
    )


def twist_checks() -> Checks:
    """Washout takes the efficiency of a rectangular wing above 0.97."""
    source = Source("Phillips, Miller & Hunsaker (J. Aircraft)", Status.PUBLISHED)
    ratio = 8.0
    best = partial(Stroke, "root hinge", ratio)
    twists = (0.85, 0.9, 0.95)
    yield source.at_least(
        "rectangular wing, efficiency with washout above 0.97",
        MODEL_WING,
        lambda: Points(0.97, max(flown(best(twist, -90.0)).efficiency for twist in twists)),
        why=STRICT + "; linear washout, theirs is optimised",
    )
    yield source.at_most(
        "rectangular wing, no washout stays below 0.75",
        MODEL_WING,
        lambda: Points(0.75, hinged(ratio, "rect", "lifting-line").efficiency),
        why=STRICT + "; untwisted, the lifting line gives 0.68",
    )
    yield source.at_most(
        "rectangular wing, washed out, still under the least-loss bound",
        MODEL_WING + f", v = {SMALL_VELOCITY}",
        lambda: Points(
            [bound(best(twist, -90.0)) for twist in twists],
            [flown(best(twist, -90.0)).efficiency for twist in twists],
            [f"twist {twist:g}" for twist in twists],
        ),
    )


@cache
def foil(strouhal: float, pitch_deg: float, friction: float) -> Coefficients:
    """Foil heaving and pitching about the quarter chord, pitch leading by a right angle."""
    twist = {
        f"{end}_{key}": value
        for end in ("root", "tip")
        for key, value in (("amplitude_deg", pitch_deg), ("lag_deg", -90.0))
    }
    return fly(
        one_segment_wing(
            frequency=section_frequency(np.pi * strouhal / (2.0 * HEAVE)),
            strips=2,
            heave={"amplitude_m": HEAVE * CHORD},
            twist=twist,
            section={"law": "thin-airfoil", "friction": friction},
            model=TWO_DIMENSIONAL,
        )
    )


def foil_checks() -> Checks:
    """Thrust against Strouhal number, and where drag puts the best one."""
    yield LAU.at_least(
        "thrust goes with St (St - St0): share of its variation explained at each pitch",
        MODEL_FOIL + ", no friction, St 0.1 to 0.5",
        collapse,
        why="at least 0.99; 'collapses' is read as a line through the points",
    )
    yield FLORYAN.at_least(
        "Strouhal number of greatest efficiency rises with the foil's drag",
        MODEL_FOIL + ", friction 0.01 to 0.08",
        best_strouhal_rises,
        why="by at least 0.01, the spacing of the runs, from one drag to the next",
    )
    source = Source("Lian & Shyy (2007)", Status.PUBLISHED)
    model = "thin plate, laminar friction, two-dimensional lag, Re 2e4, k = 3.93"
    yield source.at_most(
        "plunge of 0.0125 chord at Re 2e4 gives drag",
        model,
        lambda: Points(0.0, fast_plunge(0.0125).thrust_mean, "h/c = 0.0125"),
    )
    yield source.at_least(
        "plunge of 0.075 chord at Re 2e4 gives thrust",
        model,
        lambda: Points(0.0, fast_plunge(0.075).thrust_mean, "h/c = 0.075"),
    )


def collapse() -> Points:
    """Share of the thrust's variation that ``a St (St - St0)`` explains."""
    strouhal = np.linspace(0.1, 0.5, 9)
    pitches = (10.0, 20.0, 30.0)
    shares = []
    for pitch in pitches:
        thrust = np.array([foil(st, pitch, 0.0).thrust_mean for st in strouhal])
        basis = np.column_stack([strouhal**2, strouhal])
        rest = thrust - basis @ np.linalg.lstsq(basis, thrust)[0]
        shares.append(1.0 - np.sum(rest**2) / np.sum((thrust - np.mean(thrust)) ** 2))
    return Points(
        np.full(len(pitches), 0.99), shares, [f"pitch {pitch:g} deg" for pitch in pitches]
    )


FRICTIONS = (0.01, 0.02, 0.04, 0.08)


@cache
def best_strouhal(friction: float) -> float:
    """Strouhal number of greatest efficiency at a friction coefficient, pitch 15 deg."""
    strouhal = np.arange(0.10, 0.401, 0.01)
    runs = [foil(float(st), 15.0, friction) for st in strouhal]
    efficiency = [run.efficiency if run.thrust_mean > 0.0 else -np.inf for run in runs]
    return float(strouhal[int(np.argmax(efficiency))])


def best_strouhal_rises() -> Points:
    """Each best Strouhal number over the one of the smaller drag."""
    best = np.array([best_strouhal(friction) for friction in FRICTIONS])
    # A hair under the spacing: grid values differ by 0.01 only to rounding.
    return Points(
        best[:-1] + 0.00999, best[1:], [f"friction {friction:g}" for friction in FRICTIONS[1:]]
    )


@cache
def fast_plunge(heave: float) -> Coefficients:
    """Small fast plunge at Reynolds number 2e4; its reduced frequency is from memory."""
    chord = 2e4 * VISCOSITY / AIRSPEED
    return fly(
        one_segment_wing(
            frequency=section_frequency(3.93, chord),
            chord=chord,
            strips=2,
            heave={"amplitude_m": heave * chord},
            section={"law": "thin-plate", "friction": "laminar"},
            model=TWO_DIMENSIONAL,
        )
    )


def separated_checks() -> Checks:
    """The force of a stalled thin wing stands on its surface."""
    incidence = (25.0, 35.0, 45.0, 60.0, 75.0, 90.0)
    for name, section in (
        ("revolving plate", revolving),
        ("thin plate", rough_plate),
    ):
        yield USHERWOOD.absolute(
            f"{name}, angle of the force from the normal, 25 to 90 deg",
            "no induced velocity, steady",
            lambda section=section: Points(
                np.zeros(len(incidence)),
                [
                    np.degrees(np.arctan2(section(a).chordwise(a), section(a).normal(a)))
                    for a in incidence
                ],
                [f"{a:g} deg" for a in incidence],
            ),
            4.0,
            "'normal to the wing surface'; the fly wing's own fits scatter by 4 deg",
            unit="deg",
        )


@cache
def rough_plate(incidence_deg: float) -> SteadySection:
    """Thin plate with the friction a flapping wing has."""
    return steady_section(incidence_deg, {"law": "thin-plate", "friction": "turbulent"})


def outer_lag_checks() -> Checks:
    """A tip that comes late costs thrust: a little at first, all of it out of phase."""
    source = Source("Heathcote, Wang & Gursul (2008)", Status.PUBLISHED)
    model = "thin plate, turbulent friction, lifting line, finite-wing lag"
    lags = (0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0)
    yield source.at_most(
        "thrust falls with the lag of the outer segment, 0 to 180 deg",
        model,
        lambda: Points(
            [late_tip(lag) for lag in lags[:-1]],
            [late_tip(lag) for lag in lags[1:]],
            [f"lag {lag:g} deg" for lag in lags[1:]],
        ),
    )
    yield source.at_most(
        "a tip out of phase gives less than a third of the thrust of one in phase",
        model,
        lambda: Points(late_tip(0.0) / 3.0, late_tip(180.0)),
        why="'destroys' is read as less than a third",
    )


@cache
def late_tip(lag_deg: float) -> float:
    """Thrust coefficient of two segments of equal amplitude, the outer one late in space."""
    from flapsim import simulate

    # Small enough for attached flow at every lag: stalled, an outer segment in phase gains less.
    amplitude, lag = 8.0, np.radians(lag_deg)
    tables = one_segment_tables(
        frequency=FREQUENCY,
        half_span=HALF_SPAN / 2.0,
        strips=12,
        section={"law": "thin-plate"},
        plunge={"amplitude_deg": amplitude},
        model={"induced": "lifting-line"},
    )
    tables["wing"]["outer"] = {
        "length_m": HALF_SPAN / 2.0,
        "chord_m": [[0.0, CHORD], [1.0, CHORD]],
        "strips": 12,
    }
    tables["stroke"]["outer"] = {
        "plunge": {
            "shape": "fourier",
            "cos_deg": [float(amplitude * (np.cos(lag) - 1.0))],
            "sin_deg": [float(amplitude * np.sin(lag))],
        }
    }
    # Coefficients refer to the inner segments' area: half of the wing's.
    return coefficients(simulate(as_case(tables))).thrust_mean / 2.0
