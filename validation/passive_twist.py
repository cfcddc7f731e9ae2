"""Twist left to spring, mass and air: a plunging section and a hinged wing in linear theory.

The section that plunges and twists as one is built of what the package has. A stub of a segment,
a millionth of the span, carries the spring: its tip turns the whole outer segment, which does not
twist in itself. All mass sits in the stub, whose chord gives moment of inertia and static moment
their ratio; a hundred-thousandth of the air's moment is the stub's. The preset carries the weight.

Of the tabulated models the third (no wake, with apparent mass) is compared in closed form; a lift
at the quarter chord from the incidence at the axis is not an option of the solver, since it does
not keep the energy balance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Any

import numpy as np

from validation.check import Checks, Measure, Points, Source, Status
from validation.reference import table
from validation.textbook import (
    DENSITY,
    IDEAL_SECTION,
    NO_WAKE,
    STRIPS_ONLY,
    TWO_DIMENSIONAL,
    VISCOSITY,
    as_case,
    first_harmonic,
    one_segment_tables,
    phase_difference_deg,
)
from validation.theory_section import (
    LiftFunction,
    jones_function,
    quasi_steady_function,
    theodorsen_function,
)
from validation.theory_twist import (
    GRAVITY,
    HingedWing,
    Response,
    Section,
    plunging_section,
)

TITLE = "Twist that spring, mass and air decide: plunge"

TABLE = Source("table of a section free to twist", Status.OWN)
STRIPS = Source("virtual work of Theodorsen's strips, Jones form", Status.EXACT)

LINEAR = Source("Theodorsen (1935), Bisplinghoff (1955)", Status.EXACT)
TIGHT, TIGHT_DEG = 1e-4, 0.01
WHY_TIGHT = "same theory: only time step, finite amplitude and the stub (1e-5) differ"
WHY_JONES = "Jones's two exponentials in place of C(k): closed form against closed form "

# Part of the tabulated heave: what finite amplitude adds is of the square of the twist, 2e-6.
SMALL = 0.01

MODELS: dict[str, tuple[str, LiftFunction | None, dict[str, Any]]] = {
    "Jones form": ("theodorsen", jones_function, TWO_DIMENSIONAL),
    "no wake": ("theodorsen", quasi_steady_function, NO_WAKE),
    "no wake, no apparent mass": ("quarter_chord", None, STRIPS_ONLY),
}

CHORD, AXIS, STATIC_MOMENT, STUB = 0.2, 0.3, 0.003, 1e-6


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the table: SI, per metre of span."""

    airspeed: float
    frequency: float
    spring_frequency: float
    heave: float
    stiffness: float
    inertia: float
    damping: float

    @property
    def label(self) -> str:
        """Where in the table this is."""
        return f"{self.airspeed:g} m/s, spring at {self.spring_frequency:g} Hz"

    @property
    def section(self) -> Section:
        """The section in the terms of theory."""
        return Section(CHORD, AXIS, self.inertia, STATIC_MOMENT, DENSITY)

    def theory(self, lift_function: LiftFunction | None) -> Response:
        """Response in closed form."""
        return plunging_section(
            self.section,
            self.stiffness,
            self.damping,
            2.0 * np.pi * self.frequency,
            self.airspeed,
            self.heave,
            lift_function,
        )


COLUMNS = ("U_mps", "f_Hz", "f_theta_Hz", "z0_m", "K_Nm_per_rad_per_m")
COLUMNS += ("I_kgm2_per_m", "cd_Nms_per_m")


def rows() -> list[Row]:
    """Every motion of the table once."""
    motions = table("passive_twist_section").where(model="theodorsen")
    return [Row(*values) for values in zip(*(motions[c] for c in COLUMNS), strict=True)]


def sprung(row: Row, frequency: float) -> Row:
    """The same motion on a spring that gives another frequency without air."""
    stiffness = row.inertia * (2.0 * np.pi * frequency) ** 2
    return replace(row, spring_frequency=frequency, stiffness=stiffness)


def section_tables(row: Row, model: dict[str, Any]) -> dict[str, Any]:
    """Tables of the case that stands for the section, its heave made small."""
    skin_over_static = 2.0 / (0.5 - AXIS)  # the stub's twist grows to one along it: 1/2 and 1/3
    gyration = (0.5 - AXIS) ** 2 + 1.0 / 12.0
    stub_chord = 1.5 * row.inertia / STATIC_MOMENT * (0.5 - AXIS) / gyration
    twist = {
        "mode": "passive",
        "rest_deg": float(np.degrees(-STATIC_MOMENT * GRAVITY / row.stiffness)),
        "stiffness_n_m_rad": row.stiffness,
        "damping_n_m_s_rad": row.damping,
    }
    return {
        "title": "Section that plunges and is free to twist",
        "air": {"density_kg_m3": DENSITY, "kinematic_viscosity_m2_s": VISCOSITY},
        "craft": {
            "mass_kg": 0.0,
            "shoulder_offset_m": 0.0,
            "body_drag_area_m2": 0.0,
            "centre_of_mass_m": [0.0, 0.0, 0.0],
        },
        "flight": {"airspeed_m_s": row.airspeed, "pitch_deg": 0.0},
        "wing": {
            "twist_axis": AXIS,
            "section": IDEAL_SECTION,
            "inner": {
                "length_m": STUB,
                "chord_m": [[0.0, stub_chord], [1.0, stub_chord]],
                "strips": 2,
                "skin_kg_m2": skin_over_static * STATIC_MOMENT / (stub_chord**2 * STUB),
            },
            "outer": {"length_m": 1.0, "chord_m": [[0.0, CHORD], [1.0, CHORD]], "strips": 2},
        },
        "stroke": {
            "frequency_hz": row.frequency,
            "heave": {"amplitude_m": row.heave * SMALL},
            "inner": {"plunge": {"mean_deg": 0.0}, "twist": twist},
            "outer": {"plunge": {"mean_deg": 0.0}},
        },
        "model": {"steps": 128, "modes": 3, **model},
    }


@cache
def flown(row: Row, name: str) -> Response:
    """Response from the solver, back at the full heave."""
    from flapsim import simulate

    cycle = simulate(as_case(section_tables(row, MODELS[name][2])))
    twist = cycle.twist["inner"]
    amplitude, lag = np.radians([twist["amplitude_deg"], twist["lag_deg"]])
    speed = row.airspeed
    # Coefficients on the area of the outer segments, one metre of CHORD a side.
    force = 0.5 * DENSITY * speed**2 * 2.0 * CHORD
    return Response(
        complex(amplitude * np.exp(-1j * lag)) / SMALL,
        first_harmonic(cycle.series["lift_n"]) / force / SMALL,
        cycle.mean["thrust_n"] / force / SMALL**2,
        cycle.mean["aero_power_w"] / (force * speed) / SMALL**2,
    )


Quantity = Callable[[Response, Response], tuple[float, float]]
"""Takes one quantity out of the response in theory and from the solver."""


def over_rows(quantity: Quantity, name: str, lift_function: LiftFunction | None) -> Points:
    """One quantity of one model over the motions of the table."""
    every = rows()
    pairs = [quantity(row.theory(lift_function), flown(row, name)) for row in every]
    expected, found = zip(*pairs, strict=True)
    return Points(expected, found, [row.label for row in every])


def as_tabulated() -> Points:
    """Twist and loads of the closed forms against every number of the table, relative."""
    found, expected, places = [], [], []
    for model, lift_function in (("theodorsen", theodorsen_function), ("quarter_chord", None)):
        lines = table("passive_twist_section").where(model=model)
        for index, row in enumerate(rows()):
            response = row.theory(lift_function)
            phase = np.exp(
                1j * np.radians([lines["th_phase_deg"], lines["CL_phase_deg"]])[:, index]
            )
            for name, value in (
                ("th_amp_deg", np.degrees((response.twist / phase[0]).real)),
                ("CL_amp", (response.lift / phase[1]).real),
                ("CT", response.thrust),
                ("CP", response.power),
            ):
                found.append(value)
                expected.append(lines[name][index])
                places.append(f"{model}, {name}, {row.label}")
    return Points(expected, found, places)


def amplitude(name: str) -> Quantity:
    """Amplitude of a phasor of the response."""
    return lambda theory, run: (abs(getattr(theory, name)), abs(getattr(run, name)))


def phase(name: str) -> Quantity:
    """Phase of a phasor of the response, deg."""

    def pair(theory: Response, run: Response) -> tuple[float, float]:
        expected, found = getattr(theory, name), getattr(run, name)
        angle = float(np.degrees(np.angle(expected)))
        return angle, angle + phase_difference_deg(found, expected)

    return pair


def mean(name: str) -> Quantity:
    """Mean of the response over the stroke."""
    return lambda theory, run: (getattr(theory, name), getattr(run, name))


QUANTITIES: dict[str, tuple[Measure, Quantity]] = {
    "twist amplitude": (Measure.RELATIVE, amplitude("twist")),
    "twist phase": (Measure.ABSOLUTE, phase("twist")),
    "lift amplitude": (Measure.RELATIVE, amplitude("lift")),
    "lift phase": (Measure.ABSOLUTE, phase("lift")),
    "mean thrust": (Measure.RELATIVE, mean("thrust")),
    "mean power": (Measure.RELATIVE, mean("power")),
}


def checks() -> Checks:
    """Every comparison of this family."""
    yield from section_checks()
    yield from hinged_checks()


def section_checks() -> Checks:
    """Plunging section with free twist."""
    yield TABLE.relative(
        "reference: closed forms against every tabulated number",
        "closed form",
        as_tabulated,
        1e-8,
        "ten digits are tabulated",
    )
    for name, (_, function, model) in MODELS.items():
        words = "thin airfoil, no induced velocity, " + ", ".join(
            f"{key} {value}" for key, value in model.items() if key != "induced"
        )
        for quantity, (measure, pick) in QUANTITIES.items():
            in_degrees = measure is Measure.ABSOLUTE
            yield LINEAR.check(
                measure,
                f"section free to twist, {name}: {quantity}",
                words,
                partial(over_rows, pick, name, function),
                TIGHT_DEG if in_degrees else TIGHT,
                WHY_TIGHT,
                unit="deg" if in_degrees else "",
            )
    for quantity, limit, difference, unit in (
        ("twist amplitude", 0.008, "0.75 %", ""),
        ("twist phase", 0.33, "0.32 deg", "deg"),
    ):
        measure, pick = QUANTITIES[quantity]
        yield LINEAR.check(
            measure,
            f"section free to twist, exact C(k): {quantity}",
            "thin airfoil, no induced velocity, two-dimensional lag",
            partial(over_rows, pick, "Jones form", theodorsen_function),
            limit,
            WHY_JONES + f"differs by up to {difference}",
            unit=unit,
        )


# --- the wing hinged at its root ------------------------------------------------------------------

HINGED = (
    # frequency (Hz), axis, wrist and tip chord (m), stiffness (N m/rad)
    (1.5, 0.20, 0.20, 0.20, 0.15),
    (3.0, 0.20, 0.20, 0.20, 0.15),
    (6.0, 0.25, 0.20, 0.20, 0.30),
    (3.0, 0.35, 0.20, 0.20, 0.40),
    (3.0, 0.20, 0.25, 0.10, 0.10),
    (5.0, 0.10, 0.30, 0.08, 0.25),
)
HINGED_SPEED, HINGED_PLUNGE = 6.0, 1e-3


def hinged_wing(axis: float, wrist: float, tip: float, stiffness: float) -> HingedWing:
    """One of the wings compared."""
    return HingedWing(
        inner=0.25,
        outer=0.40,
        wrist_chord=wrist,
        tip_chord=tip,
        axis=axis,
        skin=0.15,
        stiffness=stiffness,
        damping=1e-3,
        density=DENSITY,
    )


def hinged_case(frequency: float, wing: HingedWing, model: dict[str, Any]) -> Any:
    """Case of a root-hinged wing whose outer part is free to twist."""
    tables = one_segment_tables(
        frequency=frequency,
        half_span=wing.inner,
        chord=wing.wrist_chord,
        strips=4,
        twist_axis=wing.axis,
        plunge={"amplitude_deg": float(np.degrees(HINGED_PLUNGE))},
        model=model,
    )
    tables["flight"]["airspeed_m_s"] = HINGED_SPEED
    tables["wing"]["outer"] = {
        "length_m": wing.outer,
        "chord_m": [[0.0, wing.wrist_chord], [1.0, wing.tip_chord]],
        "skin_kg_m2": wing.skin,
        "strips": 12,
    }
    tables["stroke"]["outer"] = {
        "plunge": {"mean_deg": 0.0},
        "twist": {
            "mode": "passive",
            "rest_deg": float(np.degrees(-wing.weight_moment() / wing.stiffness)),
            "stiffness_n_m_rad": wing.stiffness,
            "damping_n_m_s_rad": wing.damping,
        },
    }
    return as_case(tables)


@cache
def hinged(index: int) -> tuple[complex, complex]:
    """Twist per plunge of one of the wings, in theory and from the solver."""
    from flapsim.half_wing.twist.half_wing import half_wing
    from flapsim.half_wing.twist.report import twist_motion

    frequency, *shape = HINGED[index]
    wing = hinged_wing(*shape)
    motion = twist_motion(half_wing(hinged_case(frequency, wing, TWO_DIMENSIONAL)))
    amplitude, lag = (
        float(np.radians(motion[f"outer.{name}_deg"][0])) for name in ("amplitude", "lag")
    )
    theory = wing.twist(2.0 * np.pi * frequency, HINGED_SPEED, HINGED_PLUNGE, jones_function)
    return theory, complex(amplitude * np.exp(-1j * lag))


def hinged_amplitude() -> Points:
    """Amplitude of the tip's twist."""
    expected, found = zip(*(hinged(i) for i in range(len(HINGED))), strict=True)
    return Points(np.abs(expected), np.abs(found), hinged_labels())


def hinged_phase() -> Points:
    """Phase of the tip's twist after the plunge."""
    pairs = [hinged(i) for i in range(len(HINGED))]
    expected = [float(np.degrees(np.angle(theory))) for theory, _ in pairs]
    found = [
        e + phase_difference_deg(run, theory)
        for e, (theory, run) in zip(expected, pairs, strict=True)
    ]
    return Points(expected, found, hinged_labels())


def hinged_labels() -> list[str]:
    """Where each of the wings is."""
    return [f"{f:g} Hz, axis {axis:g}, tip chord {tip:g} m" for f, axis, _, tip, _ in HINGED]


def hinged_checks() -> Checks:
    """Root-hinged wing with linear outer twist."""
    model = "thin airfoil, no induced velocity, two-dimensional lag, apparent mass"
    yield STRIPS.relative(
        "root-hinged wing, linear outer twist left free: amplitude",
        model,
        hinged_amplitude,
        TIGHT,
        WHY_TIGHT,
    )
    yield STRIPS.absolute(
        "root-hinged wing, linear outer twist left free: phase",
        model,
        hinged_phase,
        TIGHT_DEG,
        WHY_TIGHT,
        unit="deg",
    )
