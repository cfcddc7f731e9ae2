"""Plausible random cases over all options, drawn by a seeded generator or by hypothesis.

A plausible case is one a user might write: an airspeed or none, amplitudes below the wildest
bird's, chords within a factor of a few, every option of the model. Random values are asked of a
`Chooser`, so that one recipe serves numpy's generator and hypothesis.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, Protocol, TypeVar

import numpy as np
from hypothesis import strategies as st

from flapsim.case import (
    Air,
    Case,
    Craft,
    Flight,
    Heave,
    Model,
    Port,
    Schedule,
    Section,
    Segment,
    SegmentStroke,
    Stroke,
    Twist,
    Wing,
)

T = TypeVar("T")

LAWS = ("thin-airfoil", "thin-plate", "polar", "revolving-plate")
INDUCED = ("lifting-line", "slope", "none")
WAKES = (("indicial", "finite-wing"), ("indicial", "two-dimensional"), ("quasi-steady", None))
STALLS = ("static", "lagged")

ONE_POLAR = "cambered.csv"
TWO_POLARS = "two_reynolds.csv"
SAMPLED_ANGLE = "sampled_twist.csv"


class Chooser(Protocol):
    """Draws the values that are left open."""

    def number(self, low: float, high: float) -> float: ...

    def one_of(self, options: Sequence[T]) -> T: ...


@dataclass(frozen=True)
class GeneratorChooser:
    """Draws from a generator of numpy."""

    generator: np.random.Generator

    def number(self, low: float, high: float) -> float:
        return float(self.generator.uniform(low, high))

    def one_of(self, options: Sequence[T]) -> T:
        return options[int(self.generator.integers(len(options)))]


@dataclass(frozen=True)
class HypothesisChooser:
    """Draws from hypothesis, in steps that print and shrink well."""

    draw: Any

    def number(self, low: float, high: float) -> float:
        return low + (high - low) * self.draw(st.integers(0, 1000)) / 1000.0

    def one_of(self, options: Sequence[T]) -> T:
        return self.draw(st.sampled_from(options))


@lru_cache(maxsize=1)
def table_folder() -> Path:
    """Folder with the files that the cases name, written when first asked for."""
    folder = Path(tempfile.mkdtemp(prefix="flapsim_tables_"))
    write_tables(folder)
    return folder


def write_tables(folder: Path) -> None:
    """Write invented polars and samples: smooth curves of the right kind, from no measurement."""
    alpha = np.arange(-14.0, 20.5, 1.0)
    lines = ["# invented", "alpha_deg,cl,cd,cm"]
    lines += _polar_rows(alpha, camber=2.5, stall=11.0, drag=0.014)
    (folder / ONE_POLAR).write_text("\n".join(lines) + "\n", encoding="utf-8")

    alpha = np.concatenate([np.arange(-20.0, -8.0, 2.0), np.arange(-8.0, 24.5, 0.8)])
    lines = ["# invented", "reynolds,alpha_deg,cl,cd,cm"]
    for reynolds, stall, drag in ((3.0e4, 8.0, 0.022), (2.0e5, 13.0, 0.011)):
        rows = _polar_rows(alpha, camber=0.0, stall=stall, drag=drag)
        lines += [f"{reynolds:.0f},{row}" for row in rows]
    (folder / TWO_POLARS).write_text("\n".join(lines) + "\n", encoding="utf-8")

    phase = np.arange(0.0, 360.0, 15.0)
    angle = 12.0 * np.cos(np.radians(phase + 70.0)) + 2.0 * np.sin(np.radians(2.0 * phase))
    lines = ["phase_deg,angle_deg"]
    lines += [f"{p:.1f},{a:.6f}" for p, a in zip(phase, angle, strict=True)]
    (folder / SAMPLED_ANGLE).write_text("\n".join(lines) + "\n", encoding="utf-8")


def _polar_rows(alpha_deg: np.ndarray, camber: float, stall: float, drag: float) -> list[str]:
    """Lift that bends over softly at stall, drag and nose-down moment that rise beyond it."""
    beyond = np.maximum(np.abs(alpha_deg) - stall, 0.0)
    attached = 2.0 * np.pi * np.radians(alpha_deg + camber) * 0.92
    lift = attached / (1.0 + (np.abs(alpha_deg) / (1.4 * stall)) ** 4)
    lift += 0.9 * np.sign(alpha_deg) * beyond / (beyond + 6.0)
    resistance = drag + 0.9 * drag * np.radians(alpha_deg) ** 2 * 20.0 + 0.012 * beyond
    moment = -0.012 * camber - 0.004 * np.sign(alpha_deg) * beyond
    return [
        f"{a:.2f},{cl:.6f},{cd:.6f},{cm:.6f}"
        for a, cl, cd, cm in zip(alpha_deg, lift, resistance, moment, strict=True)
    ]


def design(choose: Chooser, **fixed: Any) -> Case:
    """Return a plausible case.

    Parameters
    ----------
    choose : Chooser
    **fixed
        ``law``, ``induced``, ``wake``, ``wake_lag``, ``stall``, ``apparent_mass``, ``segments``,
        ``steps``: what is not left open.
    """
    segments = fixed.get("segments", choose.one_of((2, 2, 2, 1)))
    shoulder = choose.one_of((0.0, choose.number(0.01, 0.08)))
    wing = _wing(choose, segments, fixed)
    frequency = choose.number(1.0, 6.0)
    speed = choose.one_of((0.0, choose.number(1.0, 12.0), choose.number(3.0, 8.0)))
    return Case(
        title="random",
        air=Air(
            density_kg_m3=choose.number(0.9, 1.3),
            kinematic_viscosity_m2_s=choose.number(1.3e-5, 1.8e-5),
        ),
        craft=Craft(
            mass_kg=choose.number(0.0, 0.5),
            shoulder_offset_m=shoulder,
            body_drag_area_m2=0.006,
            centre_of_mass_m=(choose.number(-0.05, 0.1), 0.0, choose.number(-0.05, 0.05)),
        ),
        flight=Flight(airspeed_m_s=speed, pitch_deg=choose.number(-10.0, 20.0)),
        wing=wing,
        stroke=_stroke(choose, segments, frequency),
        model=_model(choose, wing, fixed),
        folder=table_folder(),
    )


def _model(choose: Chooser, wing: Wing, fixed: dict[str, Any]) -> Model:
    wake, wake_lag = choose.one_of(WAKES)
    count = wing.inner.strips + (0 if wing.outer is None else wing.outer.strips)
    model = Model(
        induced=choose.one_of(INDUCED),
        wake=wake,
        wake_lag=wake_lag or "finite-wing",
        stall=choose.one_of(STALLS),
        apparent_mass=choose.one_of((True, True, False)),
        steps=choose.one_of((16, 24, 32, 64)),
        modes=min(choose.one_of((1, 3, 5, 8)), count // 2),
    )
    names = ("induced", "wake", "wake_lag", "stall", "apparent_mass", "steps")
    return replace(model, **{name: fixed[name] for name in names if name in fixed})


def _wing(choose: Chooser, segments: int, fixed: dict[str, Any]) -> Wing:
    root = choose.number(0.1, 0.3)
    wrist, tip = root * choose.number(0.7, 1.1), root * choose.number(0.2, 0.9)
    kink = (choose.number(0.3, 0.7), choose.number(0.9, 1.1) * wrist)
    inner = Segment(
        length_m=choose.number(0.12, 0.4),
        chord_m=((0.0, root), (1.0, wrist)),
        strips=choose.one_of((2, 3, 5, 8)),
        skin_kg_m2=choose.number(0.0, 0.3),
        spar_kg_m=choose.number(0.0, 0.05),
    )
    outer = Segment(
        length_m=choose.number(0.15, 0.6),
        chord_m=((0.0, wrist), kink, (1.0, tip)),
        strips=choose.one_of((3, 4, 6, 9)),
        skin_kg_m2=choose.number(0.0, 0.2),
        spar_kg_m=choose.number(0.0, 0.03),
        section=choose.one_of((None, None, _section(choose, fixed))),
    )
    return Wing(
        twist_axis=choose.number(0.0, 0.6),
        section=_section(choose, fixed),
        inner=inner,
        outer=outer if segments == 2 else None,
    )


def _section(choose: Chooser, fixed: dict[str, Any]) -> Section:
    law = fixed.get("law", choose.one_of(LAWS))
    stall = choose.number(9.0, 22.0)
    return Section(
        law=law,
        file=choose.one_of((ONE_POLAR, TWO_POLARS)) if law == "polar" else None,
        zero_lift_deg=choose.number(-6.0, 2.0),
        suction=choose.one_of((0.0, 1.0, choose.number(0.0, 1.0))),
        stall_deg=stall,
        stall_width_deg=choose.number(5.0, 2.0 * stall),
        friction=choose.one_of(("turbulent", "laminar", 0.0, choose.number(0.005, 0.05))),
        friction_factor=choose.number(0.8, 2.0),
    )


def _stroke(choose: Chooser, segments: int, frequency: float) -> Stroke:
    inner, outer = _segment_stroke(choose, "inner"), _segment_stroke(choose, "outer")
    has_outer = segments == 2
    port = Port(
        inner=_segment_stroke(choose, "inner"),
        outer=_segment_stroke(choose, "outer") if has_outer else None,
    )
    heave = Heave(amplitude_m=choose.number(0.0, 0.1), lag_deg=choose.number(-180.0, 180.0))
    return Stroke(
        frequency_hz=frequency,
        plane_deg=choose.one_of((0.0, choose.number(-30.0, 40.0))),
        heave=choose.one_of((None, None, heave)),
        inner=inner,
        outer=outer if has_outer else None,
        port=choose.one_of((None, None, None, port)),
    )


def _segment_stroke(choose: Chooser, segment: str) -> SegmentStroke:
    sweep = Schedule(
        mean_deg=choose.number(0.0, 20.0),
        amplitude_deg=choose.number(0.0, 25.0),
        lag_deg=choose.number(-180.0, 180.0),
    )
    return SegmentStroke(
        plunge=_plunge(choose),
        sweep=choose.one_of((None, sweep)) if segment == "outer" else None,
        twist=choose.one_of((None, _twist(choose), _twist(choose))),
    )


def _plunge(choose: Chooser) -> Schedule:
    mean, amplitude = choose.number(-5.0, 15.0), choose.number(5.0, 50.0)
    lag = choose.one_of((0.0, choose.number(-120.0, 120.0)))
    return choose.one_of(
        (
            Schedule(mean_deg=mean, amplitude_deg=amplitude, lag_deg=lag),
            Schedule(
                shape="quick-return",
                mean_deg=mean,
                amplitude_deg=amplitude,
                lag_deg=lag,
                downstroke_fraction=choose.number(0.4, 0.6),
            ),
            Schedule(
                shape="fourier",
                mean_deg=mean,
                cos_deg=(amplitude, 0.1 * amplitude),
                sin_deg=(0.2 * amplitude, choose.number(-3.0, 3.0), 1.0),
            ),
            Schedule(
                shape="linkage",
                mean_deg=mean,
                lag_deg=lag,
                crank_m=0.008,
                rocker_m=choose.number(0.016, 0.03),
                coupler_m=0.04,
                base_m=0.042,
            ),
        )
    )


def _twist(choose: Chooser) -> Twist:
    root = Schedule(
        mean_deg=choose.number(-5.0, 8.0),
        amplitude_deg=choose.number(0.0, 10.0),
        lag_deg=choose.number(-180.0, 180.0),
    )
    tip = Schedule(
        mean_deg=choose.number(-8.0, 8.0),
        amplitude_deg=choose.number(0.0, 40.0),
        lag_deg=choose.number(-120.0, -40.0),
    )
    sampled = Schedule(shape="samples", file=SAMPLED_ANGLE)
    return Twist(tip=choose.one_of((tip, tip, sampled)), root=choose.one_of((None, root)))


def sample(count: int, seed: int, **fixed: Any) -> list[Case]:
    """Return as many cases as asked for, the same for the same seed."""
    chooser = GeneratorChooser(np.random.default_rng(seed))
    return [design(chooser, **fixed) for _ in range(count)]


@st.composite
def cases(draw: Any, **fixed: Any) -> Case:
    """Cases for hypothesis; `fixed` as in :func:`design`."""
    return design(HypothesisChooser(draw), **fixed)


def lattice(**fixed: Any) -> list[dict[str, Any]]:
    """Every combination of section law, induced velocity, wake, stall and apparent mass."""
    return [
        {
            "law": law,
            "induced": induced,
            "wake": wake,
            "wake_lag": wake_lag or "finite-wing",
            "stall": stall,
            "apparent_mass": apparent_mass,
            **fixed,
        }
        for law in LAWS
        for induced in INDUCED
        for wake, wake_lag in WAKES
        for stall in STALLS
        for apparent_mass in (True, False)
    ]
