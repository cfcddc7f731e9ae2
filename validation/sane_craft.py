"""Random but sane craft: wing loading, speed and stroke within what flies or might be tried.

Sizes follow from a mass between 20 g and 2 kg by a wing loading and a lift coefficient; the stroke
from a Strouhal number. Some carry their twist badly or not at all, so that not every one can fly.
"""

from __future__ import annotations

import math

import numpy as np

from flapsim.case import (
    Air,
    Case,
    Craft,
    Flight,
    Model,
    Schedule,
    Section,
    Segment,
    SegmentStroke,
    Stroke,
    Twist,
    Wing,
)

PLUNGES = "stroke.inner.plunge.amplitude_deg+stroke.outer.plunge.amplitude_deg"
GRAVITY = 9.80665


def sane_craft(seed: int, steps: int = 48) -> tuple[Case, list[str]]:
    """A craft and what to set free to trim it."""
    pick = np.random.default_rng([20260, seed])
    mass = float(np.exp(pick.uniform(np.log(0.02), np.log(2.0))))
    lift_coefficient = pick.uniform(0.35, 0.9)
    # Wing loading grows with the third root of weight; a factor of two either way.
    loading = 30.0 * (mass / 0.5) ** (1.0 / 3.0) * np.exp(pick.uniform(-0.5, 0.5))
    area = mass * GRAVITY / loading
    aspect_ratio = pick.uniform(4.0, 9.0)
    semispan = 0.5 * math.sqrt(area * aspect_ratio)
    airspeed = math.sqrt(2.0 * loading / (1.225 * lift_coefficient))
    shoulder = pick.uniform(0.03, 0.1) * semispan
    two = pick.uniform() < 0.7
    inner = (semispan - shoulder) * (pick.uniform(0.3, 0.5) if two else 1.0)
    outer = semispan - shoulder - inner
    amplitude = pick.uniform(12.0, 30.0) if two else pick.uniform(20.0, 40.0)
    excursion = 2.0 * semispan * math.sin(math.radians(amplitude * (1.7 if two else 1.0)))
    frequency = pick.uniform(0.2, 0.4) * airspeed / excursion
    tip_speed = math.pi * frequency * excursion / airspeed
    steep = math.degrees(math.atan(tip_speed))
    twist = pick.choice([0.0, 0.6, 0.8, 1.0]) * steep * pick.uniform(0.7, 1.0)
    mean_chord = area / (2.0 * (semispan - shoulder))
    taper = pick.uniform(0.4, 1.0)
    root = 2.0 * mean_chord / (1.0 + taper)
    camber = -pick.uniform(0.0, 7.0)
    induced = str(pick.choice(["lifting-line", "lifting-line", "slope"]))
    section = Section(
        law=str(pick.choice(["thin-plate", "thin-plate", "thin-airfoil"])),  # type: ignore[arg-type]
        zero_lift_deg=camber,
        suction=float(pick.uniform(0.4, 1.0)),
        friction_factor=float(pick.uniform(1.0, 1.8)),
    )
    wrist = root * (1.0 + (taper - 1.0) * inner / (inner + outer))
    lag = pick.uniform(-100.0, -60.0)
    first = Schedule(mean_deg=float(pick.uniform(0.0, 8.0)), amplitude_deg=amplitude)
    tip = Schedule(amplitude_deg=twist, lag_deg=lag, mean_deg=float(pick.uniform(-4.0, 2.0)))
    case = Case(
        title="random craft",
        air=Air(density_kg_m3=1.225, kinematic_viscosity_m2_s=1.46e-5),
        craft=Craft(
            mass_kg=mass,
            shoulder_offset_m=shoulder,
            body_drag_area_m2=float(pick.uniform(0.01, 0.05)) * area,
            centre_of_mass_m=(0.1 * root, 0.0, 0.0),
        ),
        flight=Flight(airspeed_m_s=airspeed, pitch_deg=lift_coefficient / 0.09 + camber),
        wing=Wing(
            twist_axis=0.25,
            section=section,
            inner=Segment(inner, ((0.0, root), (1.0, wrist)), strips=8),
            outer=Segment(outer, ((0.0, wrist), (1.0, taper * root)), strips=8) if two else None,
        ),
        stroke=Stroke(
            frequency_hz=frequency,
            inner=SegmentStroke(
                plunge=first,
                twist=Twist(tip=Schedule(amplitude_deg=0.3 * twist, lag_deg=lag) if two else tip),
            ),
            outer=SegmentStroke(
                plunge=Schedule(amplitude_deg=amplitude, lag_deg=float(pick.uniform(0.0, 70.0))),
                twist=Twist(tip=tip),
            )
            if two
            else None,
        ),
        model=Model(induced=induced, steps=steps, modes=6 if two else 4),  # type: ignore[arg-type]
    )
    plunge = PLUNGES if two else PLUNGES.partition("+")[0]
    other = str(pick.choice([plunge, plunge, "stroke.frequency_hz", "flight.airspeed_m_s"]))
    return case.replace({}), ["flight.pitch_deg", other]
