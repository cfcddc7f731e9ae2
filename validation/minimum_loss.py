"""Least loss of flapping: no stroke on the lifting line may do better, and the elliptic wing does.

Quasi-steady, small amplitude, without friction: the assumptions of the bound.  A lattice of linear
twists, from none to more than feathered, at several phases, of root-hinged and of plunging
wings; every stroke that gives thrust must keep below the bound at its own thrust.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from validation.check import CHOSEN, Checks, Points, Source, Status
from validation.reference import table
from validation.textbook import (
    AIRSPEED,
    CHORD,
    Coefficients,
    elliptic_stations,
    fly,
    hinged_wing,
    one_segment_wing,
)
from validation.theory_wing import greatest_thrust, least_loss_efficiency

TITLE = "Least loss of flapping"

LEAST_LOSS = Source("Jones (1980), Hall & Hall (1996)", Status.EXACT)
SMALL_VELOCITY = 0.005
FLAP_ANGLE_DEG = 5.0
"""Large enough for a low frequency; thrust does not feel the dihedral."""
RATIOS = (4.0, 6.0, 10.0)
TWISTS = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
"""Amplitude of tip twist over that of the tip's path angle; one feathers the tip."""
LAGS_DEG = (-60.0, -80.0, -90.0, -100.0, -120.0)

MODEL_OPTIONS = {"induced": "lifting-line", "wake": "quasi-steady", "modes": 12}
MODEL = "thin airfoil, full suction, no friction, quasi-steady, lifting line (48 strips, 12 modes)"
WHY = "the bound is for vanishing frequency and amplitude: here k = 0.01, v^2 = 2.5e-5; 12 modes"


@dataclass(frozen=True, slots=True)
class Stroke:
    """One stroke of the lattice."""

    motion: str
    aspect_ratio: float
    twist: float
    lag_deg: float

    @property
    def label(self) -> str:
        """Where in the lattice it is."""
        return (
            f"{self.motion}, AR {self.aspect_ratio:g}, twist {self.twist:g}, lag {self.lag_deg:g}"
        )


@cache
def flown(stroke: Stroke) -> Coefficients:
    """Simulate one stroke."""
    tip = float(np.degrees(stroke.twist * SMALL_VELOCITY))
    twist = {"tip_amplitude_deg": tip, "tip_lag_deg": stroke.lag_deg}
    half_span = stroke.aspect_ratio * CHORD / 2.0
    if stroke.motion == "root hinge":
        return fly(
            hinged_wing(
                SMALL_VELOCITY,
                FLAP_ANGLE_DEG,
                half_span=half_span,
                strips=48,
                twist=twist,
                model=MODEL_OPTIONS,
            )
        )
    twist |= {"root_amplitude_deg": tip, "root_lag_deg": stroke.lag_deg}
    frequency = 0.1
    elliptic = stroke.motion == "elliptic plunge"
    return fly(
        one_segment_wing(
            frequency=frequency,
            half_span=half_span * (np.pi / 4.0 if elliptic else 1.0),
            planform=elliptic_stations() if elliptic else ((0.0, 1.0), (1.0, 1.0)),
            strips=48,
            heave={"amplitude_m": SMALL_VELOCITY * AIRSPEED / (2.0 * np.pi * frequency)},
            twist=twist,
            model=MODEL_OPTIONS,
        )
    )


def motion_sum(motion: str) -> float:
    """The bound's constant for a motion."""
    name = "root-hinge flapping" if motion == "root hinge" else "uniform plunge"
    return float(table("least_loss_constants").where(motion=name)["Sigma"][0])


def lattice(motion: str) -> list[Stroke]:
    """Strokes of one motion that give thrust."""
    strokes = [
        Stroke(motion, ratio, twist, lag)
        for ratio in RATIOS
        for twist in TWISTS
        for lag in LAGS_DEG
        if twist or lag == LAGS_DEG[0]
    ]
    return [stroke for stroke in strokes if flown(stroke).thrust_mean > 0.0]


def bound(stroke: Stroke) -> float:
    """Highest efficiency at the stroke's own thrust."""
    return float(
        least_loss_efficiency(
            flown(stroke).thrust_mean,
            stroke.aspect_ratio,
            SMALL_VELOCITY,
            motion_sum(stroke.motion),
        )
    )


def checks() -> Checks:
    """Every comparison of this family."""
    for motion in ("root hinge", "plunge"):
        yield LEAST_LOSS.at_most(
            f"{motion}, efficiency over the highest at the same thrust",
            MODEL,
            lambda motion=motion: efficiency_under_bound(motion),
            1e-3,
            WHY,
        )
        yield LEAST_LOSS.at_most(
            f"{motion}, thrust over the greatest at the same speed of the wing",
            MODEL,
            lambda motion=motion: thrust_under_bound(motion),
            1e-3,
            WHY,
        )
    yield LEAST_LOSS.absolute(
        "untwisted elliptic wing in plunge, efficiency on the bound",
        MODEL,
        elliptic_on_bound,
        2e-4,
        "its downwash is even along the span, which is the condition for least loss; " + WHY,
    )
    yield CHOSEN.at_least(
        "root hinge, best linear twist within 0.02 of the bound",
        MODEL,
        near_bound,
        why="the bound is a real test only if good strokes come close: linear twist leaves little",
    )
    yield Source(LEAST_LOSS.name, Status.OWN).absolute(
        "reference: highest efficiency by the formula against the tabulated one",
        "validation.theory_wing.least_loss_efficiency",
        reference,
        1e-9,
        "the table has ten digits",
    )


def efficiency_under_bound(motion: str) -> Points:
    """Every stroke's efficiency under the bound at its thrust."""
    strokes = lattice(motion)
    return Points(
        [bound(stroke) for stroke in strokes],
        [flown(stroke).efficiency for stroke in strokes],
        [stroke.label for stroke in strokes],
    )


def thrust_under_bound(motion: str) -> Points:
    """Every stroke's thrust under the greatest possible, as a share of it."""
    strokes = lattice(motion)
    shares = [
        flown(stroke).thrust_mean
        / float(greatest_thrust(stroke.aspect_ratio, SMALL_VELOCITY, motion_sum(motion)))
        for stroke in strokes
    ]
    return Points(np.ones(len(strokes)), shares, [stroke.label for stroke in strokes])


def elliptic_on_bound() -> Points:
    """Elliptic wings in plunge, which lose the least."""
    strokes = [Stroke("elliptic plunge", ratio, 0.0, 0.0) for ratio in RATIOS]
    return Points(
        [bound(stroke) for stroke in strokes],
        [flown(stroke).efficiency for stroke in strokes],
        [stroke.label for stroke in strokes],
    )


def near_bound() -> Points:
    """At each aspect ratio, the stroke closest to the bound."""
    best = []
    for ratio in RATIOS:
        strokes = [stroke for stroke in lattice("root hinge") if stroke.aspect_ratio == ratio]
        best.append(min(strokes, key=lambda stroke: bound(stroke) - flown(stroke).efficiency))
    return Points(
        [bound(stroke) - 0.02 for stroke in best],
        [flown(stroke).efficiency for stroke in best],
        [stroke.label for stroke in best],
    )


def reference() -> Points:
    """Formula against table where the thrust can be reached."""
    rows = table("least_loss_hinged")
    within = np.isfinite(rows["eta_max"])
    found = least_loss_efficiency(
        rows["CT"], rows["AR"], np.pi * rows["St_tip"], motion_sum("root hinge")
    )
    return Points(rows["eta_max"][within], found[within])
