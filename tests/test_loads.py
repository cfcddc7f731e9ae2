"""Loads along the wing and the tubes that carry them.

Labels: exact = follows from the stated equations on paper; textbook = cantilever formulas as in any
book on strength of materials (here Gere & Timoshenko, Mechanics of Materials, table of beams).
"""

from __future__ import annotations

import dataclasses
import math
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from designs import cases
from hypothesis import given, settings

import flapsim
from flapsim.case import parse_case
from flapsim.flight.loads import (
    crank_forces,
    line_loads,
    motion_schedules,
    outboard_integrals,
    span_loads,
    wing_kinetic_energy,
)
from flapsim.flight.spar import (
    CARBON,
    Material,
    Tube,
    least_tube,
    spar_notes,
    spar_states,
    tip_deflection,
)
from flapsim.quantities import SPAN_LOADS
from flapsim.wing.motion import strip_motion
from flapsim.wing.schedule import evaluate
from flapsim.wing.strips import strips

CASES = Path(__file__).parent.parent / "cases"

# Sums over a few dozen strips of numbers of order one.
ROUNDING = 1e-12

LENGTH = 0.4
BEAM = f"""
title = "A wing of one segment, for loads put on by hand"
[air]
density_kg_m3 = 1.2
kinematic_viscosity_m2_s = 1.5e-5
[craft]
mass_kg = 0.0
shoulder_offset_m = 0.02
body_drag_area_m2 = 0.0
centre_of_mass_m = [0.0, 0.0, 0.0]
[flight]
airspeed_m_s = 5.0
pitch_deg = 0.0
[wing]
twist_axis = 0.3
section = {{ law = "thin-airfoil" }}
[wing.inner]
length_m = {LENGTH}
chord_m = [[0.0, 0.1], [1.0, 0.1]]
skin_kg_m2 = 0.3
spar_kg_m = 0.05
[stroke]
frequency_hz = 2.0
[stroke.inner]
plunge = {{ amplitude_deg = 30.0 }}
"""


@lru_cache(maxsize=1)
def glasshouse():
    return flapsim.simulate(flapsim.read_case(CASES / "glasshouse.toml"))


@lru_cache(maxsize=1)
def beam():
    return flapsim.simulate(parse_case(BEAM, CASES, "beam.toml"))


def loaded(normal=0.0, aft=0.0, moment=0.0):
    """The beam with loads per metre put on by hand, as functions of the distance from the hinge."""
    cycle = beam()
    distance = cycle.strips["span_position_m"] - 0.02

    def over(load):
        values = load(distance) if callable(load) else load + 0.0 * distance
        return np.repeat(values[:, None], cycle.phase.size, axis=1)

    put = {"normal_force_n_m": normal, "chordwise_force_n_m": aft, "moment_n_m_m": moment}
    fields = {name: over(load) for name, load in put.items()}
    return span_loads(dataclasses.replace(cycle, strips=cycle.strips | fields), ("air",))


# --- cantilevers -------------------------------------------------------------------------------


def test_an_even_load_bends_as_the_textbook_says():
    # Textbook: M = w (L - r)^2/2, V = w (L - r), end deflection w L^4/(8 E I), slope w L^3/(6 E I).
    load = loaded(normal=3.0)
    rest = LENGTH - load.distance[:, None]
    np.testing.assert_allclose(
        load.cuts["flap_bending_n_m"], 0.0 * load.phase + 1.5 * rest**2, atol=ROUNDING
    )
    np.testing.assert_allclose(
        load.cuts["flap_shear_n"], 0.0 * load.phase + 3.0 * rest, atol=ROUNDING
    )
    tube = Tube(0.005, 0.0005)
    (state,) = spar_states(load, [tube])
    stiffness = CARBON.modulus * tube.second_moment
    # Moments are quadratic along the span: Simpson's rule integrates them once exactly and twice
    # nearly so (its uneven points are third order on 32 intervals).
    np.testing.assert_allclose(
        state.flap_deflection, 3.0 * LENGTH**4 / (8.0 * stiffness), rtol=1e-6
    )
    np.testing.assert_allclose(state.flap_slope, 3.0 * LENGTH**3 / (6.0 * stiffness), rtol=1e-9)


def test_a_triangular_load_bends_as_the_textbook_says():
    # Textbook, load falling from w at the wall to 0 at the end: M = w L^2/6, V = w L/2 at the wall,
    # M(r) = w (L - r)^3/(6 L), deflection w L^4/(30 E I).
    load = loaded(aft=lambda r: 2.0 * (1.0 - r / LENGTH))
    rest = LENGTH - load.distance[:, None]
    np.testing.assert_allclose(
        load.cuts["in_plane_bending_n_m"],
        0.0 * load.phase + 2.0 * rest**3 / (6.0 * LENGTH),
        atol=ROUNDING,
    )
    tube = Tube(0.005, 0.0005)
    (state,) = spar_states(load, [tube])
    expected = 2.0 * LENGTH**4 / (30.0 * CARBON.modulus * tube.second_moment)
    np.testing.assert_allclose(state.in_plane_deflection, expected, rtol=1e-5)
    np.testing.assert_allclose(tip_deflection(load, (state,)), expected, rtol=1e-5)


def test_an_even_torsion_twists_as_the_textbook_says():
    # Textbook: T = m (L - r), end twist m L^2/(2 G J) with J = 2 I.
    load = loaded(moment=0.7)
    rest = LENGTH - load.distance[:, None]
    np.testing.assert_allclose(
        load.cuts["torsion_n_m"], 0.0 * load.phase + 0.7 * rest, atol=ROUNDING
    )
    tube = Tube(0.006, 0.001)
    (state,) = spar_states(load, [tube])
    expected = 0.7 * LENGTH**2 / (2.0 * CARBON.shear_modulus * 2.0 * tube.second_moment)
    np.testing.assert_allclose(state.twist, expected, rtol=1e-9)


@pytest.mark.parametrize("power", range(6))
def test_cuts_integrate_powers_of_the_span_exactly(power):
    # Exact: integral from x to 1 of s^p, and of (s - x) s^p.
    node, _ = np.polynomial.legendre.leggauss(12)
    at, cut = 0.5 * (1.0 + node), np.linspace(0.0, 1.0, 9)
    load, moment = outboard_integrals(12, 9)
    whole = (1.0 - cut ** (power + 1)) / (power + 1)
    first = (1.0 - cut ** (power + 2)) / (power + 2)
    np.testing.assert_allclose(load @ at**power, whole, atol=ROUNDING)
    np.testing.assert_allclose(moment @ at**power, first - cut * whole, atol=ROUNDING)


def test_shear_is_the_slope_of_bending_along_the_glasshouse_wing():
    # Exact: dM/dr = -V without couples about the chord; the air gives none.
    load = span_loads(glasshouse(), ("air",))
    for segment in (0, 1):
        here = load.segment == segment
        distance = load.distance[here]
        slope = np.gradient(load.cuts["flap_bending_n_m"][here], distance, axis=0, edge_order=2)
        shear = load.cuts["flap_shear_n"][here]
        # Differences over 1/32 of a segment see a smooth load to a few parts in a thousand.
        np.testing.assert_allclose(slope, -shear, atol=5e-3 * np.abs(shear).max())


def test_the_end_of_the_wing_is_free_and_the_wrist_passes_everything_on():
    load = span_loads(glasshouse())
    for name in SPAN_LOADS:
        assert np.abs(load.cuts[name][-1]).max() < ROUNDING
    inner_end = np.flatnonzero(load.segment == 0)[-1]
    for names in (
        ("flap_bending_n_m", "in_plane_bending_n_m", "torsion_n_m"),
        ("flap_shear_n", "in_plane_shear_n", "tension_n"),
    ):
        # The axes turn at the wrist, the size of the whole does not.
        size = [
            sum(load.cuts[name][cut] ** 2 for name in names) for cut in (inner_end, inner_end + 1)
        ]
        np.testing.assert_allclose(size[0], size[1], atol=ROUNDING)


# --- against the cycle -------------------------------------------------------------------------


def mirrored(case):
    """The case with equal halves, so that the torques of both are twice those of one."""
    return dataclasses.replace(case, stroke=dataclasses.replace(case.stroke, port=None))


@settings(max_examples=25)
@given(case=cases(steps=64))
def test_loads_of_the_air_at_the_hinges_are_the_hinge_torques(case):
    # Exact: the same strips, summed as forces along the span or as generalised torques.
    cycle = flapsim.simulate(mirrored(case))
    load = span_loads(cycle, ("air",))
    pairs = [(load.shoulder, "torque_inner_plunge_n_m")]
    if load.wrist is not None:
        pairs.append((load.wrist, "torque_outer_plunge_n_m"))
    for joint, name in pairs:
        torque = cycle.series[name]
        scale = np.abs(cycle.series["torque_inner_plunge_n_m"]).max() + 1e-12
        # Schedules of 24 harmonics on 64 steps: what the steps do not hold is below 1e-9.
        np.testing.assert_allclose(2.0 * joint.plunge_moment, torque, atol=1e-8 * scale)


@settings(max_examples=25)
@given(case=cases(steps=64))
def test_inertia_takes_the_rate_of_the_kinetic_energy(case):
    # Exact (virtual work): d'Alembert forces and couples do minus the rate of kinetic energy.
    cycle = flapsim.simulate(mirrored(case))
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    line = line_loads(cycle, "inertia")
    motion = strip_motion(
        wing, motion_schedules(cycle), case.stroke.frequency_hz, case.craft.shoulder_offset_m,
        math.radians(case.stroke.plane_deg), cycle.phase, case.wing.twist_axis,
    )  # fmt: skip
    work = (line.force * motion.velocity + line.couple * motion.angular_velocity).sum(axis=0)
    power = -2.0 * wing.width @ work
    expected = cycle.series["inertial_power_w"]
    np.testing.assert_allclose(power, expected, atol=1e-8 * np.abs(expected).max() + 1e-15)


def test_a_plunging_bar_pulls_and_bends_as_its_angle_accelerates():
    # Exact: M = -I_hinge p'' and, radially, p'^2 times the first moment, of a stiff bar without
    # twist; skin and spar together 0.3 x 0.1 + 0.05 = 0.08 kg/m.
    load = span_loads(beam(), ("inertia",))
    amplitude, omega = math.radians(30.0), 2.0 * math.pi * 2.0
    turning = -amplitude * omega**2 * np.cos(load.phase)
    rate = -amplitude * omega * np.sin(load.phase)
    inertia = 0.08 * LENGTH**3 / 3.0
    np.testing.assert_allclose(load.shoulder.plunge_moment, -inertia * turning, atol=ROUNDING)
    np.testing.assert_allclose(
        load.cuts["tension_n"][0], 0.08 * LENGTH**2 / 2.0 * rate**2, atol=ROUNDING
    )
    np.testing.assert_allclose(wing_kinetic_energy(beam()), 0.5 * inertia * rate**2, atol=ROUNDING)


def test_weight_pulls_the_wing_down_with_its_mass_wherever_the_nose_points():
    cycle = beam()
    case = cycle.case.replace({"flight.pitch_deg": 20.0, "flight.climb_deg": 15.0})
    load = span_loads(dataclasses.replace(cycle, case=case), ("weight",))
    nose = math.radians(35.0)
    weight = 0.08 * LENGTH * 9.80665
    # Exact: straight down in body axes that are pitched 35 degrees against the ground.
    expected = weight * np.array([math.sin(nose), 0.0, -math.cos(nose)])
    np.testing.assert_allclose(
        load.shoulder.force, np.repeat(expected[:, None], load.phase.size, axis=1), atol=ROUNDING
    )
    # The skin's middle lies (0.5 - 0.3) x 0.1 m aft of the axis: its weight turns the nose up
    # where the wing is level (quarter of the stroke).
    quarter = load.phase.size // 4
    skin = 0.03 * LENGTH * 9.80665
    assert load.cuts["torsion_n_m"][0, quarter] == pytest.approx(
        skin * 0.02 * math.cos(nose), rel=1e-9
    )


def test_causes_add_up():
    whole = span_loads(glasshouse()).cuts
    parts = [span_loads(glasshouse(), (cause,)).cuts for cause in ("air", "inertia", "weight")]
    for name, values in whole.items():
        np.testing.assert_allclose(values, sum(part[name] for part in parts), atol=ROUNDING)


# --- crank -------------------------------------------------------------------------------------


def test_the_crank_gives_the_power_that_the_hinges_take():
    # Exact: crank torque times crank speed is minus the hinge moment times the plunge rate; the
    # balance spring carries its part of the moment.
    cycle = glasshouse()
    load = span_loads(cycle, ("air",))
    found = crank_forces(cycle, load, crank=0.012, rocker=0.02)
    omega = 2.0 * math.pi * cycle.case.stroke.frequency_hz
    _, rate, _ = evaluate(motion_schedules(cycle)[0], cycle.phase)
    spring = 0.79 * rate * omega
    np.testing.assert_allclose(
        found.crank_torque * omega, cycle.series["power_inner_plunge_w"] + spring, atol=1e-10
    )
    assert found.tangential_force == pytest.approx(np.abs(found.crank_torque).max() / 0.012)
    assert found.rod_force == pytest.approx(np.abs(found.hinge_moment).max() / 0.02)


def test_a_linkage_brings_its_own_lengths():
    cycle = flapsim.simulate(flapsim.read_case(CASES / "linkage_driven.toml"))
    load = span_loads(cycle)
    found = crank_forces(cycle, load)
    plunge = cycle.case.stroke.inner.plunge
    assert found.tangential_force == pytest.approx(
        np.abs(found.crank_torque).max() / plunge.crank_m
    )
    assert math.isnan(crank_forces(glasshouse(), span_loads(glasshouse())).rod_force)


# --- tubes -------------------------------------------------------------------------------------


def test_a_tube_in_bending_and_torsion_has_the_textbook_stress():
    # Textbook: sigma = M c/I, tau = T c/J, equivalent sqrt(sigma^2 + 3 tau^2) (von Mises).
    load = loaded(normal=3.0, moment=0.7)
    tube = Tube(0.006, 0.001, Material(100e9, 5e9, 400e6, 1600.0))
    (state,) = spar_states(load, [tube])
    second = math.pi / 64.0 * (0.006**4 - 0.004**4)
    sigma = 1.5 * LENGTH**2 * 0.003 / second
    tau = 0.7 * LENGTH * 0.003 / (2.0 * second)
    assert state.stress == pytest.approx(math.sqrt(sigma**2 + 3.0 * tau**2), rel=1e-9)
    assert state.reserve == pytest.approx(400e6 / state.stress)
    assert state.stress_distance == 0.0
    assert state.mass == pytest.approx(math.pi / 4.0 * (0.006**2 - 0.004**2) * LENGTH * 1600.0)


@pytest.mark.parametrize(("segment", "length"), [(0, 0.22), (1, 0.34)])
def test_the_least_tube_just_meets_a_limit(segment, length):
    load = span_loads(glasshouse())
    tube = least_tube(load, segment, safety=2.0, stiffness_part=0.05)

    def worked(diameter):
        tubes = [Tube(0.01, 0.001)] * 2
        tubes[segment] = Tube(diameter, 0.1 * diameter)
        state = spar_states(load, tubes)[segment]
        bent = np.hypot(state.flap_deflection, state.in_plane_deflection).max()
        turned = np.degrees(np.abs(state.twist).max())
        return max(2.0 / state.reserve, bent / (0.05 * length), turned / 5.0)

    assert worked(tube.diameter) == pytest.approx(1.0, rel=1e-6)
    assert worked(0.999 * tube.diameter) > 1.0


def test_a_bending_wing_is_flagged_and_a_breaking_one_named():
    load = span_loads(glasshouse())
    stout = spar_states(load, [Tube(0.008, 0.001), Tube(0.008, 0.001)])
    assert spar_notes(load, stout, 0.6) == ()
    thin = spar_states(load, [Tube(0.0015, 0.0002), Tube(0.0015, 0.0002)])
    notes = " ".join(spar_notes(load, thin, 0.6))
    assert "inner spar breaks" in notes
    assert "not rigid" in notes
    assert "g/m" in " ".join(spar_notes(load, stout, 0.6, (0.001, 0.001)))


@pytest.mark.parametrize(("diameter", "wall"), [(0.0, 0.1), (0.005, 0.0), (0.005, 0.003)])
def test_an_impossible_tube_is_refused(diameter, wall):
    with pytest.raises(ValueError, match="wall"):
        Tube(diameter, wall)


def test_as_many_tubes_as_segments_are_wanted():
    with pytest.raises(ValueError, match="segments"):
        spar_states(span_loads(glasshouse()), [Tube(0.005, 0.0005)])
