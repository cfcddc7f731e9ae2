"""Textbook wings as cases: one rigid segment a side, no mass, no shoulder.

A case is a dictionary of the tables a case file has, read by the same reader as a user's file.
Loads come back as coefficients on the area of both wings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import tomli_w
from numpy.typing import NDArray

if TYPE_CHECKING:
    from flapsim.case import Case
    from flapsim.cycle.simulate import Cycle

FloatArray = NDArray[np.float64]
Tables = Mapping[str, Any]

DENSITY = 1.225
VISCOSITY = 1.46e-5
AIRSPEED = 10.0
CHORD = 0.2

IDEAL_SECTION = {"law": "thin-airfoil", "friction": 0.0}

# What each closed form leaves out, the run leaves out too.
TWO_DIMENSIONAL = {"induced": "none", "wake_lag": "two-dimensional"}
NO_WAKE = {"induced": "none", "wake": "quasi-steady"}
STRIPS_ONLY = {"induced": "none", "wake": "quasi-steady", "apparent_mass": False}

RECTANGULAR = ((0.0, 1.0), (1.0, 1.0))


def elliptic_stations(count: int = 40, tip: float = 1e-3) -> tuple[tuple[float, float], ...]:
    """Chord stations of a half ellipse of root chord one, drawn with straight pieces.

    Evenly spaced in the angle whose cosine is the fraction, so that they crowd where the chord
    curves; the tip keeps a sliver because a chord is a positive number.  Chords are scaled so that
    the area, and with it the aspect ratio, is the ellipse's own.
    """
    angle = np.linspace(np.pi / 2.0, 0.0, count + 1)
    fraction = np.round(np.cos(angle), 12)
    chord = np.maximum(np.sin(angle), tip)
    chord *= np.pi / 4.0 / np.trapezoid(chord, fraction)
    return tuple(zip(fraction.tolist(), chord.tolist(), strict=True))


def one_segment_tables(
    *,
    frequency: float,
    half_span: float = 5 * CHORD,
    chord: float = CHORD,
    planform: Sequence[Sequence[float]] = RECTANGULAR,
    strips: int = 24,
    twist_axis: float = 0.25,
    section: Tables = IDEAL_SECTION,
    pitch_deg: float = 0.0,
    heave: Tables | None = None,
    plunge: Tables | None = None,
    twist: Tables | None = None,
    model: Tables = TWO_DIMENSIONAL,
) -> dict[str, Any]:
    """Tables of a case: a wing of one segment a side, hinged at the plane of symmetry.

    Parameters
    ----------
    frequency : float
        Hz; a steady wing has one too, with nothing moving at it.
    half_span, chord : float
        m; ``planform`` scales the chord along the half span.
    heave, plunge, twist : mapping, optional
        Tables of the case file.
    model : mapping
        Table of the case file; ``modes`` defaults to as many as a few strips allow.
    """
    inner: dict[str, Any] = {"plunge": dict(plunge or {"mean_deg": 0.0})}
    if twist:
        inner["twist"] = dict(twist)
    stroke: dict[str, Any] = {"frequency_hz": frequency, "inner": inner}
    if heave:
        stroke["heave"] = dict(heave)
    return {
        "title": "Textbook wing",
        "air": {"density_kg_m3": DENSITY, "kinematic_viscosity_m2_s": VISCOSITY},
        "craft": {
            "mass_kg": 0.0,
            "shoulder_offset_m": 0.0,
            "body_drag_area_m2": 0.0,
            "centre_of_mass_m": [0.0, 0.0, 0.0],
        },
        "flight": {"airspeed_m_s": AIRSPEED, "pitch_deg": pitch_deg},
        "wing": {
            "twist_axis": twist_axis,
            "section": dict(section),
            "inner": {
                "length_m": half_span,
                "chord_m": [[fraction, chord * relative] for fraction, relative in planform],
                "strips": strips,
            },
        },
        "stroke": stroke,
        "model": {"steps": 256, "modes": min(8, max(strips // 2, 1)), **model},
    }


def as_case(tables: Tables, folder: Path = Path()) -> Case:
    """Read the tables by the same reader as a user's file."""
    from flapsim.case import parse_case

    return parse_case(tomli_w.dumps(tables), folder, "textbook wing")


def one_segment_wing(*, folder: Path = Path(), **wing: Any) -> Case:
    """Case of :func:`one_segment_tables`."""
    return as_case(one_segment_tables(**wing), folder)


def section_frequency(k: float, chord: float = CHORD) -> float:
    """Frequency (Hz) at which ``omega c / (2 U)`` is ``k``."""
    return k * AIRSPEED / (np.pi * chord)


def oscillating_wing(
    k: float,
    heave_over_chord: float = 0.0,
    pitch_amplitude: float = 0.0,
    pitch_lead_deg: float = 0.0,
    twist_axis: float = 0.25,
    model: Tables = TWO_DIMENSIONAL,
) -> Case:
    """Wing whose sections all heave and pitch in the same way; phases as in the reference tables.

    ``pitch_amplitude`` in rad; pitch leads heave, so it lags by minus the lead.
    """
    amplitude = float(np.degrees(pitch_amplitude))
    twist = {
        f"{end}_{key}": value
        for end in ("root", "tip")
        for key, value in (("amplitude_deg", amplitude), ("lag_deg", -pitch_lead_deg))
    }
    return one_segment_wing(
        frequency=section_frequency(k),
        strips=2,
        twist_axis=twist_axis,
        heave={"amplitude_m": heave_over_chord * CHORD} if heave_over_chord else None,
        twist=twist if pitch_amplitude else None,
        model=model,
    )


def steady_wing(incidence_deg: float, **wing: Any) -> Case:
    """Wing held still at an incidence."""
    return one_segment_wing(frequency=1.0, pitch_deg=incidence_deg, **wing)


def hinged_wing(
    tip_velocity: float, amplitude_deg: float, half_span: float = 5 * CHORD, **wing: Any
) -> Case:
    """Wing flapping about its root with a given amplitude of tip velocity over airspeed."""
    omega = tip_velocity * AIRSPEED / (np.radians(amplitude_deg) * half_span)
    return one_segment_wing(
        frequency=float(omega / (2.0 * np.pi)),
        half_span=half_span,
        plunge={"amplitude_deg": amplitude_deg},
        **wing,
    )


@dataclass(frozen=True, slots=True)
class Coefficients:
    """Loads of a one-segment wing on dynamic pressure and the area of both halves.

    Attributes
    ----------
    lift, thrust, power : ndarray
        Over the stroke; power on airspeed too.
    moment : ndarray
        Aerodynamic moment about the twist axis, nose-up, on the chord too.
    lift_mean, thrust_mean, power_mean : float
    wake_loss_mean, profile_loss_mean : float
        Like power.
    """

    lift: FloatArray
    thrust: FloatArray
    power: FloatArray
    moment: FloatArray
    lift_mean: float
    thrust_mean: float
    power_mean: float
    wake_loss_mean: float
    profile_loss_mean: float

    @property
    def efficiency(self) -> float:
        """Froude efficiency, from the means."""
        return self.thrust_mean / self.power_mean


def fly(case: Case) -> Coefficients:
    """Simulate a textbook wing and return its coefficients."""
    from flapsim import simulate

    return coefficients(simulate(case))


def coefficients(cycle: Cycle) -> Coefficients:
    """Loads of a cycle as coefficients."""
    case = cycle.case
    inner = case.wing.inner
    stations = np.asarray(inner.chord_m)
    area = 2.0 * inner.length_m * np.trapezoid(stations[:, 1], stations[:, 0])
    speed = case.flight.airspeed_m_s
    force = 0.5 * case.air.density * speed**2 * area
    # The nose-up moment acts through both twist coordinates: together they turn the whole segment.
    moment = (
        cycle.series["torque_inner_twist_root_n_m"] + cycle.series["torque_inner_twist_tip_n_m"]
    )
    return Coefficients(
        lift=cycle.series["lift_n"] / force,
        thrust=cycle.series["thrust_n"] / force,
        power=cycle.series["aero_power_w"] / (force * speed),
        moment=moment / (force * stations[0, 1]),
        lift_mean=cycle.mean["lift_n"] / force,
        thrust_mean=cycle.mean["thrust_n"] / force,
        power_mean=cycle.mean["aero_power_w"] / (force * speed),
        wake_loss_mean=cycle.mean["wake_loss_w"] / (force * speed),
        profile_loss_mean=cycle.mean["profile_loss_w"] / (force * speed),
    )


def first_harmonic(series: FloatArray) -> complex:
    """Phasor ``X`` of the part ``Re(X exp(i tau))`` of a series over one period."""
    tau = 2.0 * np.pi * np.arange(len(series)) / len(series)
    return complex(2.0 * np.mean(series * np.exp(-1j * tau)))


def phase_difference_deg(first: complex, second: complex) -> float:
    """Phase of the first phasor less that of the second, degrees, nearest to zero."""
    return float(np.degrees(np.angle(first / second)))


@dataclass(frozen=True, slots=True)
class SteadySection:
    """Coefficients of a section held still; moment about the quarter chord, nose-up."""

    lift: float
    drag: float
    moment: float

    def normal(self, incidence_deg: float) -> float:
        """Force coefficient normal to the chord."""
        alpha = np.radians(incidence_deg)
        return float(self.lift * np.cos(alpha) + self.drag * np.sin(alpha))

    def chordwise(self, incidence_deg: float) -> float:
        """Force coefficient along the chord, aft."""
        alpha = np.radians(incidence_deg)
        return float(self.drag * np.cos(alpha) - self.lift * np.sin(alpha))


def steady_section(
    incidence_deg: float, section: Tables, chord: float = CHORD, folder: Path = Path()
) -> SteadySection:
    """Lift, drag and moment of a section in steady two-dimensional flow, from the solver."""
    from flapsim import simulate

    tables = one_segment_tables(
        frequency=1.0,
        pitch_deg=incidence_deg,
        chord=chord,
        strips=2,
        section=section,
        model={**NO_WAKE, "steps": 16},
    )
    run = coefficients(simulate(as_case(tables, folder)))
    return SteadySection(run.lift_mean, -run.thrust_mean, float(np.mean(run.moment)))
