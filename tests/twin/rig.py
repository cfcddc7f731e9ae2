"""Wings on a rig, for which closed forms are known."""

from __future__ import annotations

from typing import Any

import numpy as np

from flapsim.case import (
    Air,
    Case,
    Craft,
    Flight,
    Heave,
    Model,
    Schedule,
    Section,
    Segment,
    SegmentStroke,
    Stroke,
    Twist,
    Wing,
)
from tests.twin.half_wing import TwinResult

SPEED, DENSITY, CHORD = 5.0, 1.2, 0.2


def rig(
    *,
    heave_m: float = 0.0,
    plunge: Schedule | None = None,
    twist: Twist | None = None,
    pitch_deg: float = 0.0,
    reduced_frequency: float = 0.3,
    length_m: float = 1.0,
    chord_m: tuple[tuple[float, float], ...] = ((0.0, CHORD), (1.0, CHORD)),
    twist_axis: float = 0.25,
    section: dict[str, Any] | None = None,
    strip_count: int = 3,
    **model: Any,
) -> Case:
    """Return a wing of one segment on a rig: by default a thin airfoil without friction."""
    law = {"law": "thin-airfoil", "friction": 0.0} | (section or {})
    settings_of_model = {"induced": "none", "wake": "quasi-steady", "modes": 2, "steps": 256}
    frequency = reduced_frequency * 2.0 * SPEED / CHORD / (2.0 * np.pi)
    return Case(
        title="rig",
        air=Air(density_kg_m3=DENSITY, kinematic_viscosity_m2_s=1.5e-5),
        craft=Craft(
            mass_kg=0.0,
            shoulder_offset_m=0.0,
            body_drag_area_m2=0.0,
            centre_of_mass_m=(0.0, 0.0, 0.0),
        ),
        flight=Flight(airspeed_m_s=SPEED, pitch_deg=pitch_deg),
        wing=Wing(
            twist_axis=twist_axis,
            section=Section(**law),
            inner=Segment(length_m=length_m, chord_m=chord_m, strips=strip_count),
        ),
        stroke=Stroke(
            frequency_hz=frequency,
            heave=Heave(amplitude_m=heave_m) if heave_m else None,
            inner=SegmentStroke(plunge=plunge or Schedule(), twist=twist),
        ),
        model=Model(**settings_of_model | model),
    )


def coefficients(half: TwinResult) -> dict[str, Any]:
    """Lift, thrust and power of one half wing on its own area, means for the last two."""
    area = 0.5 * half.strips.area
    pressure = 0.5 * DENSITY * SPEED**2 * area
    width = half.strips.width[:, None]
    lift = np.sum(half.fields["lift_n_m"] * width, axis=0) / pressure
    thrust = np.sum(half.fields["thrust_n_m"] * width, axis=0) / pressure
    power = np.sum(half.aero_power, axis=0) / (pressure * SPEED)
    return {"lift": lift, "thrust": float(thrust.mean()), "power": float(power.mean())}


def harmonic_of(values: np.ndarray) -> complex:
    """Complex amplitude of exp(i tau) of a real signal."""
    return complex(2.0 * np.fft.rfft(values)[1] / len(values))
