"""A wing held still whose twist a spring holds: divergence, flutter, decay; and a wing of one size.

Closed forms of :mod:`validation.theory_twist`. The last rows hold the demonstration wing against
what an independent trial of a wing of its size reported, to one digit and without its conventions:
aerodynamic torsional stiffness of order 0.08 N m/rad, damping ratio 0.6 to 0.9, no resonance.

Which stiffness one gets depends on what is held and what is twisted. Of this wing, held still at
5 m/s, one half, N m/rad:

============================================  ============  =====  ====
outer segment twists                          lifting line  slope  none
============================================  ============  =====  ====
linearly, tip by one radian, wrist by none    0.008         0.014  0.019
as one piece, wrist and tip alike             0.042         0.057  0.081
the same, axis at 10 % instead of 20 %        0.136         0.182  0.253
============================================  ============  =====  ====

A linear twist turns the wrist, where the chord is wide, by little: a quarter to a fifth of the
stiffness. Induction halves it on an aspect ratio of 5. The arm from axis to quarter chord is 5 % of
the chord, so that a few per cent in the axis decide it all; at the quarter chord nothing is left.
Flapping adds a third by its speed; in flight, at the wake of the instant, the mean over the stroke
is 0.02 to 0.04 for a soft spring. Of these readings the one that comes nearest to the trial's 0.08
is a segment that twists as one piece in plain strips; which one the trial took is not known, and
no constant was changed for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np

from validation.check import Checks, Points, Source, Status
from validation.passive_twist import rows, section_tables
from validation.reference import table
from validation.textbook import (
    CHORD,
    DENSITY,
    NO_WAKE,
    TWO_DIMENSIONAL,
    as_case,
    one_segment_tables,
)
from validation.theory_twist import (
    GRAVITY,
    Section,
    divergence_speed,
    skin_section,
    still_section_growth,
    torsional_flutter_speed,
)

TITLE = "Twist that spring, mass and air decide: held still, and decay"

THEODORSEN = Source("Theodorsen (1935), Jones form", Status.EXACT)


def checks() -> Checks:
    """Every comparison of this family."""
    yield from still_checks()
    yield from decay_checks()
    yield from trial_checks()


# --- the wing held still --------------------------------------------------------------------------


def still_case(
    section: Section, stiffness: float, damping: float, skin: float, model: dict[str, Any]
) -> Any:
    """Wing of one segment, a metre long, whose tip's twist acts like a section of given stiffness.

    A twist that grows linearly to the tip has a third of the air's moment and of the inertia. The
    path is vertical, so that the weight bends nothing: the mass hangs behind the axis, which makes
    the section stiffer by `hanging`.
    """
    tables = one_segment_tables(
        frequency=4.0,
        half_span=1.0,
        chord=section.chord,
        strips=6,
        twist_axis=section.axis,
        twist={
            "mode": "passive",
            "stiffness_n_m_rad": stiffness / 3.0,
            "damping_n_m_s_rad": damping / 3.0,
        },
        model={"steps": 16, "modes": 4, **model},
    )
    tables["flight"]["climb_deg"] = 90.0
    tables["wing"]["inner"]["skin_kg_m2"] = skin
    return as_case(tables)


def hanging(section: Section) -> float:
    """Stiffness of a section whose mass hangs below its axis, N m/rad per metre."""
    return GRAVITY * section.static_moment


def still_margins(case: Any, airspeeds: Sequence[float]) -> tuple[float, float]:
    """Divergence and flutter speed from the solver, m/s."""
    from flapsim.half_wing.twist.half_wing import half_wing
    from flapsim.half_wing.twist.margins import stability_margins

    margins = stability_margins(case, half_wing(case), airspeeds)
    return margins.divergence, margins.flutter


def tabulated_divergence() -> Points:
    """Divergence speed of the tabulated sections."""
    from flapsim import simulate

    lines = table("passive_twist_section").where(model="theodorsen")
    found = [
        simulate(as_case(section_tables(row, TWO_DIMENSIONAL))).twist["inner"][
            "divergence_speed_m_s"
        ]
        for row in rows()
    ]
    return Points(lines["U_div_mps"], found, [row.label for row in rows()])


def linear_twist_divergence(induced: str, law: str = "thin-airfoil") -> Points:
    """Divergence speed of a wing whose twist grows to the tip, for three places of the axis."""
    expected, found, places = [], [], []
    for axis, stiffness in ((0.30, 2.0), (0.40, 4.0), (0.50, 6.0)):
        section = skin_section(CHORD, axis, 0.2, DENSITY)
        case = still_case(section, stiffness, 0.0, 0.2, {**NO_WAKE, "induced": induced})
        if law != "thin-airfoil":
            case = case.replace({"wing.section.law": law})
        aspect_ratio = 2.0 / CHORD
        slope = 2.0 * np.pi
        if induced == "slope":
            slope /= 1.0 + 2.0 / aspect_ratio
        expected.append(divergence_speed(stiffness + hanging(section), section, slope))
        grid = expected[-1] * np.linspace(0.5, 1.5, 8)
        found.append(still_margins(case, grid)[0])
        places.append(f"axis {axis:g}")
    return Points(expected, found, places)


FLUTTER = ((0.0, 100.0, 20.0), (0.0, 200.0, 10.0), (0.05, 150.0, 20.0))
"""Axis, skin (kg/m2) and stiffness (N m/rad) of wings so heavy that they flutter in torsion alone,
at reduced frequencies below 0.046."""


def flutter_speed() -> Points:
    """Torsional flutter speed of heavy wings on an axis at the nose."""
    expected, found, places = [], [], []
    for axis, skin, stiffness in FLUTTER:
        section = skin_section(CHORD, axis, skin, DENSITY)
        expected.append(
            torsional_flutter_speed(section, stiffness + hanging(section), 5.0, 150.0)[0]
        )
        case = still_case(section, stiffness, 0.0, skin, TWO_DIMENSIONAL)
        found.append(still_margins(case, expected[-1] * np.linspace(0.6, 1.4, 9))[1])
        places.append(f"axis {axis:g}, {skin:g} kg/m2")
    return Points(expected, found, places)


def still_checks() -> Checks:
    """Divergence and flutter of the wing held still."""
    classic = Source("Bisplinghoff, Ashley & Halfman (1955), ch. 8", Status.EXACT)
    yield classic.relative(
        "torsional divergence speed of the tabulated sections",
        "thin airfoil, no induced velocity, two-dimensional lag",
        tabulated_divergence,
        1e-5,
        "the stub that carries the spring has a hundred-thousandth of the air's moment",
    )
    for law, induced in (
        ("thin-airfoil", "none"),
        ("thin-airfoil", "slope"),
        ("thin-plate", "none"),
    ):
        yield classic.relative(
            f"torsional divergence, twist linear to the tip, {law}, induced {induced}",
            f"{law}, quasi-steady, induced velocity {induced}",
            partial(linear_twist_divergence, induced, law),
            1e-8,
            "same equation; the strip loads' central differences leave 1e-9",
        )
    yield THEODORSEN.relative(
        "torsional flutter speed of a heavy wing on an axis at its nose",
        "thin airfoil, no induced velocity, two-dimensional lag",
        flutter_speed,
        1e-8,
        "same equation; the strip loads' central differences leave 1e-9",
    )


# --- decay ----------------------------------------------------------------------------------------

DECAY = (
    # airspeed, axis, skin (kg/m2), stiffness (N m/rad), damping (N m s/rad)
    (8.0, 0.20, 0.4, 2.0, 0.0),
    (8.0, 0.30, 0.4, 4.0, 0.01),
    (12.0, 0.40, 0.8, 6.0, 0.02),
    (20.0, 0.00, 100.0, 20.0, 0.0),
    (29.0, 0.00, 100.0, 20.0, 0.0),
)


def multipliers() -> Points:
    """Every exponent of the closed form, as a multiplier over a quarter of a second."""
    from flapsim.half_wing.twist.half_wing import half_wing
    from flapsim.half_wing.twist.stability import stability

    expected, found, places = [], [], []
    for airspeed, axis, skin, stiffness, damping in DECAY:
        section = skin_section(CHORD, axis, skin, DENSITY)
        case = still_case(section, stiffness, damping, skin, TWO_DIMENSIONAL)
        case = case.replace({"flight.airspeed_m_s": airspeed, "stroke.frequency_hz": 40.0})
        computed = stability(case, half_wing(case)).multipliers
        for exponent in still_section_growth(
            section, stiffness + hanging(section), damping, airspeed
        ):
            multiplier = np.exp(exponent / 40.0)
            nearest = computed[np.argmin(np.abs(computed - multiplier))]
            # The complex deviation, put on the reference's own size.
            expected.append(abs(multiplier))
            found.append(abs(multiplier) + abs(nearest - multiplier))
            places.append(f"{airspeed:g} m/s, axis {axis:g}, {exponent:.3g}/s")
    return Points(expected, found, places)


def decay_checks() -> Checks:
    """Multipliers of a motion about a wing at rest."""
    yield THEODORSEN.relative(
        "multipliers of a wing at rest: exp(p T) of every root of the characteristic",
        "thin airfoil, no induced velocity, two-dimensional lag",
        multipliers,
        1e-8,
        "same equation; the strip loads' central differences leave 1e-9",
    )


# --- a wing of the size of a trial ----------------------------------------------------------------

TRIAL = Source("independent trial of a wing of this size", Status.MEMORY)
TRIAL_STIFFNESS = 0.08
TRIAL_DAMPING = (0.6, 0.9)
STILL_STROKE = {
    "stroke.inner.plunge.amplitude_deg": 0.0,
    "stroke.outer.plunge.amplitude_deg": 0.0,
    "stroke.inner.twist.tip_amplitude_deg": 0.0,
}


def demonstration() -> Any:
    """The demonstration wing without its drive."""
    from pathlib import Path

    from flapsim import read_case

    folder = Path(__file__).parent.parent / "cases"
    return read_case(folder / "glasshouse.toml").replace({"drive": None})


def air_stiffness(induced: str, as_one_piece: bool, axis: float = 0.2) -> float:
    """Moment per radian that the air sets against the outer twist of a half wing held still."""
    from flapsim import simulate

    case = demonstration().replace(
        {**STILL_STROKE, "model.induced": induced, "wing.twist_axis": axis}
    )
    moments = []
    for angle in (-0.5, 0.5):
        ends = {"tip_mean_deg": angle} | ({"root_mean_deg": angle} if as_one_piece else {})
        series = simulate(case.replace({"stroke.outer.twist": ends})).series
        moment = series["torque_outer_twist_tip_n_m"]
        if as_one_piece:
            moment = moment + series["torque_outer_twist_root_n_m"]
        moments.append(0.5 * float(np.mean(moment)))
    return float((moments[0] - moments[1]) / np.radians(1.0))


def trial_stiffness(induced: str, as_one_piece: bool) -> Points:
    """Stiffness of the air against that of the trial."""
    found = air_stiffness(induced, as_one_piece)
    return Points([TRIAL_STIFFNESS], [found], "held still at 5 m/s")


_WAKES = (
    ("lifting-line", "indicial", "finite-wing"),
    ("lifting-line", "quasi-steady", "finite-wing"),
    ("slope", "quasi-steady", "finite-wing"),
    ("slope", "indicial", "two-dimensional"),
    ("none", "indicial", "two-dimensional"),
    ("none", "quasi-steady", "finite-wing"),
)


def damping_beyond_trial() -> Points:
    """How far the damping ratio leaves the range of the trial, over induction and wake."""
    from flapsim.half_wing.twist.half_wing import half_wing
    from flapsim.half_wing.twist.stability import stability

    limits, found, places = [], [], []
    for induced, wake, lag in _WAKES:
        model = {"model.induced": induced, "model.wake": wake, "model.wake_lag": lag}
        case = demonstration().replace(
            {**model, "model.steps": 64, "stroke.outer.twist": spring(0.12, 8.0)}
        )
        ratio = float(stability(case, half_wing(case)).damping_ratio[0])
        low, high = TRIAL_DAMPING
        # The nearer end of the range, and how far beyond it.
        limits += [high, -low]
        found += [ratio, -ratio]
        places += [f"{induced}, {wake}"] * 2
    return Points(limits, found, places)


def spring(stiffness: float, rest_deg: float = 0.0) -> dict[str, Any]:
    """Outer twist on a spring."""
    return {"mode": "passive", "rest_deg": rest_deg, "stiffness_n_m_rad": stiffness}


def resonance() -> Points:
    """Rise of the twist with a stiffer spring: a resonance would make one."""
    from flapsim.cycle.results import evaluate

    case = demonstration().replace({"stroke.outer.twist": spring(0.1)})
    springs = np.geomspace(0.01, 0.4, 12)
    key = "stroke.outer.twist.stiffness_n_m_rad"
    amplitude = evaluate(case, {key: springs})["twist.outer.amplitude_deg"]
    return Points(
        amplitude[:-1] / amplitude[0],
        amplitude[1:] / amplitude[0],
        [f"{stiffness:.3g} N m/rad" for stiffness in springs[1:]],
    )


def trial_checks() -> Checks:
    """What the trial of a wing of this size reported."""
    yield TRIAL.relative(
        "air's torsional stiffness, outer segment as one piece, no induction",
        "thin plate, no induced velocity: the reading that comes nearest",
        partial(trial_stiffness, "none", True),
        0.25,
        "reported as of this order, to one digit, without its conventions",
    )
    yield Source(TRIAL.name, Status.OWN).relative(
        "air's torsional stiffness, linear twist, lifting line",
        "defaults",
        partial(trial_stiffness, "lifting-line", False),
        0.91,
        "linear twist has a fifth of it, induction leaves half: guards against change only",
    )
    yield TRIAL.at_most(
        "damping ratio of the twist within 0.6 to 0.9, spring 0.12 N m/rad",
        "all inductions and wakes",
        damping_beyond_trial,
        why="every induction and wake must lie in the range",
    )
    yield TRIAL.at_most(
        "no resonance: twist falls all the way from 0.01 to 0.4 N m/rad",
        "defaults",
        resonance,
        why="overdamped: no spring, however chosen, may raise the twist",
    )
