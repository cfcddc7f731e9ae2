"""The referee on its own merits: other routes to the same motion, and the balance of energy.

Each tolerance is argued where it stands.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from scipy.spatial.transform import Rotation

from flapsim.case import Case, Schedule, SegmentStroke, Stroke, Twist
from flapsim.wing.motion import strip_motion
from flapsim.wing.stroke import stroke_schedules
from tests.designs import GeneratorChooser, cases, design, lattice, sample
from tests.twin.craft import simulate_craft
from tests.twin.half_wing import TwinResult, air_velocity, simulate_half
from tests.twin.jet import X_AXIS, Y_AXIS, Z_AXIS, Jet, constant, inner, rotation

ROUNDING = 1e-11  # sums of a few hundred products of numbers of very different size


def relative_error(found: np.ndarray, expected: np.ndarray) -> float:
    """Largest error, relative to the largest value."""
    return float(np.max(np.abs(found - expected)) / np.max(np.abs(expected)))


def periodic_derivative(values: np.ndarray, period: float) -> np.ndarray:
    """Derivative along the last axis of a periodic signal, exact below half its samples."""
    count = values.shape[-1]
    orders = np.fft.rfftfreq(count, d=1.0 / count)
    turn = 2j * np.pi / period * orders
    turn[-1] = 0.0
    return np.fft.irfft(turn * np.fft.rfft(values, axis=-1), n=count, axis=-1)


def test_jets_obey_the_rule_of_products() -> None:
    t = 0.3
    square, cube = (
        Jet(*(np.array([value]) for value in (t**n, n * t ** (n - 1), n * (n - 1) * t ** (n - 2))))
        for n in (2, 3)
    )
    product = square.dot(cube)
    np.testing.assert_allclose(
        [product.value, product.rate, product.acceleration], [t**5, 5 * t**4, 20 * t**3]
    )


# ---------------------------------------------------------------------------------- geometry


def test_rotation_is_that_of_scipy() -> None:
    axis = np.array([1.0, 2.0, -2.0]) / 3.0
    expected = Rotation.from_rotvec(0.7 * axis).as_matrix()
    # Exact but for rounding.
    np.testing.assert_allclose(rotation(axis, constant(np.array(0.7))).value, expected, atol=1e-15)


def test_positive_rotations_turn_tip_up_and_nose_up() -> None:
    small = constant(np.array(1e-3))
    assert rotation(X_AXIS, small).image(Y_AXIS).value[2] > 0.0  # the tip rises
    assert rotation(Y_AXIS, small).image(X_AXIS).value[2] < 0.0  # the trailing edge sinks
    assert rotation(Z_AXIS, small).image(Y_AXIS).value[0] < 0.0  # forward: sweep aft is negative


@pytest.mark.parametrize("case", sample(6, 11, steps=256), ids=range(6))
def test_velocities_and_accelerations_are_derivatives_of_positions(case: Case) -> None:
    motion = simulate_half(case).motion
    period = 1.0 / case.stroke.frequency_hz
    # Fourier derivative of 256 samples of products of 24-harmonic schedules: what it cannot
    # resolve, and rounding amplified by 2 pi f 128, twice for the acceleration.
    for jet in (motion.axis, motion.chordwise, motion.normal, motion.spanwise):
        for lower, upper in ((jet.value, jet.rate), (jet.rate, jet.acceleration)):
            found = periodic_derivative(np.moveaxis(lower, 1, -1), period)
            scale = max(np.max(np.abs(upper)), case.stroke.frequency_hz)
            assert np.max(np.abs(found - np.moveaxis(upper, 1, -1))) < 1e-7 * scale


@settings(max_examples=25)
@given(case=cases())
def test_motion_is_that_of_the_package(case: Case) -> None:
    """Two routes: products of matrices here, angular velocities there. Exact but for rounding."""
    half = simulate_half(case)
    rows, _ = stroke_schedules(case.stroke, "starboard", case.folder)
    tau = 2.0 * np.pi * np.arange(case.model.steps) / case.model.steps
    other = strip_motion(
        half.strips,
        rows,
        case.stroke.frequency_hz,
        case.craft.shoulder_offset_m,
        np.radians(case.stroke.plane_deg),
        tau,
        case.wing.twist_axis,
    )
    for found, expected in (
        (half.motion.axis.value, other.position),
        (half.motion.axis.rate, other.velocity),
        (half.motion.axis.acceleration, other.acceleration),
        (half.motion.chordwise.value, other.chordwise),
        (half.motion.normal.value, other.normal),
        (half.motion.spanwise.value, other.spanwise),
    ):
        reordered = np.moveaxis(expected, 0, -1)
        assert np.max(np.abs(found - reordered)) <= 1e-12 * max(1.0, np.max(np.abs(reordered)))


@settings(max_examples=25)
@given(case=cases())
def test_velocities_are_those_of_the_scalar_formulas(case: Case) -> None:
    """The formulas of a hinged, swept and twisted segment, written out. Exact but for rounding."""
    half = simulate_half(case)
    wing, angles = half.strips, half.angles
    plane, pitch = np.radians([case.stroke.plane_deg, case.flight.pitch_deg])
    speed, beta = case.flight.airspeed_m_s, pitch + plane
    p1, p2, q, heave = (
        angles.plunge_inner,
        angles.plunge_outer,
        angles.sweep_outer,
        angles.heave,
    )
    air_x = speed * np.cos(beta) + heave.rate * np.sin(plane)
    air_z = speed * np.sin(beta) - heave.rate * np.cos(plane)
    both, both_rate = p1.value + p2.value, p1.rate + p2.rate
    r, eta, outer = wing.distance[:, None], wing.fraction[:, None], wing.segment[:, None] == 1
    length = wing.inner_length

    along_inner, normal_inner = air_x + 0.0 * r, air_z * np.cos(p1.value) - r * p1.rate
    along_outer = (
        air_x * np.cos(q.value)
        - air_z * np.sin(both) * np.sin(q.value)
        + length * p1.rate * np.sin(p2.value) * np.sin(q.value)
        - r * q.rate
    )
    normal_outer = (
        air_z * np.cos(both) - length * p1.rate * np.cos(p2.value) - r * both_rate * np.cos(q.value)
    )
    along, normal = (
        np.where(outer, along_outer, along_inner),
        np.where(outer, normal_outer, normal_inner),
    )
    inner_twist, outer_twist = (
        [(1.0 - eta) * getattr(root, part) + eta * getattr(tip, part) for part in ("value", "rate")]
        for root, tip in (
            (angles.twist_inner_root, angles.twist_inner_tip),
            (angles.twist_outer_root, angles.twist_outer_tip),
        )
    )
    theta = np.where(outer, outer_twist[0], inner_twist[0]) - plane
    spin = np.where(outer, outer_twist[1] + both_rate * np.sin(q.value), inner_twist[1])
    found = half.velocities
    size = np.max(np.abs(along)) + np.max(np.abs(normal))
    u, w = (
        along * np.cos(theta) - normal * np.sin(theta),
        along * np.sin(theta) + normal * np.cos(theta),
    )
    assert np.max(np.abs(found["u"] - u)) < 1e-13 * size
    assert np.max(np.abs(found["w_axis"] - w)) < 1e-13 * size
    assert np.max(np.abs(found["spin"] - spin)) < 1e-13 * (1.0 + np.max(np.abs(spin)))


@pytest.mark.parametrize("case", sample(6, 12, steps=256), ids=range(6))
def test_rates_of_velocities_are_their_derivatives(case: Case) -> None:
    found = simulate_half(case).velocities
    period = 1.0 / case.stroke.frequency_hz
    for name in ("u", "w_axis", "spin"):
        expected = periodic_derivative(found[name], period)
        scale = max(np.max(np.abs(expected)), case.stroke.frequency_hz)
        # As above: limits of the Fourier derivative.
        assert np.max(np.abs(found[f"{name}_rate"] - expected)) < 1e-7 * scale


def test_tilting_the_stroke_plane_is_pitching_the_craft_the_other_way() -> None:
    """Exact: only the sum of body pitch and tilt, and twist less tilt, meet the air."""
    chooser = GeneratorChooser(np.random.default_rng(5))
    case = design(chooser, segments=1, law="thin-plate", induced="lifting-line")
    tilt = 17.0
    twist = Twist(tip=Schedule(mean_deg=3.0, amplitude_deg=9.0), root=Schedule(mean_deg=3.0))
    tilted_twist = Twist(
        tip=replace(twist.tip, mean_deg=3.0 + tilt), root=Schedule(mean_deg=3.0 + tilt)
    )
    plunge = Schedule(amplitude_deg=35.0)
    pitch = case.flight.pitch_deg
    one = replace(
        case,
        flight=replace(case.flight, pitch_deg=pitch),
        stroke=Stroke(frequency_hz=3.0, inner=SegmentStroke(plunge=plunge, twist=twist)),
    )
    other = replace(
        case,
        flight=replace(case.flight, pitch_deg=pitch - tilt),
        stroke=Stroke(
            frequency_hz=3.0,
            plane_deg=tilt,
            inner=SegmentStroke(plunge=plunge, twist=tilted_twist),
        ),
    )
    upright, tilted = simulate_half(one), simulate_half(other)
    for name in ("lift_n_m", "thrust_n_m", "power_w_m", "incidence_deg"):
        assert relative_error(tilted.fields[name], upright.fields[name]) < ROUNDING
    np.testing.assert_allclose(
        tilted.force_hinge, upright.force, atol=ROUNDING * np.max(np.abs(upright.force))
    )


# ------------------------------------------------------------------------------------ energy


def imbalance(case: Case, half: TwinResult) -> float:
    """Largest of: power less thrust power and losses, power less that of the joints."""
    power = half.aero_power.sum(axis=0)
    losses = half.wake_loss.sum(axis=0) + half.profile_loss.sum(axis=0)
    against_stream = -inner(half.force.sum(axis=0), air_velocity(case))
    joints = -sum(half.torque[name] * half.rate[name] for name in half.torque)
    # Terms that cancel set the size of the rounding: forces times velocities.
    size = np.max(
        np.sum(
            (
                np.hypot(half.fields["normal_force_n_m"], half.fields["chordwise_force_n_m"])
                * np.hypot(half.velocities["u"], half.velocities["w_axis"])
            )
            * half.strips.width[:, None],
            axis=0,
        )
    )
    size += np.max(np.abs(against_stream)) + np.max(np.abs(power))
    return (
        max(
            float(np.max(np.abs(power - against_stream - losses))),
            float(np.max(np.abs(power - joints))),
        )
        / size
    )


OPTIONS = lattice(steps=16)


@pytest.mark.parametrize(
    "options", OPTIONS, ids=["-".join(str(value) for value in entry.values()) for entry in OPTIONS]
)
def test_power_is_thrust_power_and_losses_at_every_instant(options: dict[str, Any]) -> None:
    """Exact, for every option: aero power = thrust V + wake loss + profile loss = joint powers."""
    chooser = GeneratorChooser(np.random.default_rng(OPTIONS.index(options)))
    case = design(chooser, segments=2, **options)
    assert imbalance(case, simulate_half(case)) < ROUNDING


@settings(max_examples=30)
@given(case=cases())
def test_power_balances_for_any_design(case: Case) -> None:
    for side in ("starboard", "port"):
        assert imbalance(case, simulate_half(case, side)) < ROUNDING


@pytest.mark.parametrize("case", sample(6, 13, steps=256), ids=range(6))
def test_inertial_power_is_the_rate_of_kinetic_energy(case: Case) -> None:
    half = simulate_half(case)
    expected = periodic_derivative(half.kinetic_energy, 1.0 / case.stroke.frequency_hz)
    # Fourier derivative of 256 samples; see above.
    assert relative_error(half.inertial_power, expected) < 1e-7
    mean = half.inertial_power.sum(axis=0).mean()
    assert abs(mean) < 1e-9 * np.max(np.abs(half.inertial_power))


def test_kinetic_energy_is_that_of_many_points() -> None:
    case = sample(1, 14)[0]
    half = simulate_half(case)
    wing, motion = half.strips, half.motion
    # Four-point Gauss quadrature over the chord is exact for the quadratic.
    node, weight = np.polynomial.legendre.leggauss(4)
    expected = 0.0
    for xi, part in zip(0.5 * (1.0 + node), 0.5 * weight, strict=True):
        arm = ((xi - case.wing.twist_axis) * wing.chord)[:, None, None]
        velocity = motion.axis.rate + arm * motion.chordwise.rate
        mass = part * (wing.skin * wing.chord)[:, None]
        expected = expected + 0.5 * mass * inner(velocity, velocity)
    speed = motion.axis.rate
    expected = expected + 0.5 * wing.spar[:, None] * inner(speed, speed)
    total = np.sum(expected * wing.width[:, None], axis=0)
    assert relative_error(half.kinetic_energy.sum(axis=0), total) < 1e-13


def test_symmetric_strokes_make_no_side_force_and_no_rolling_moment() -> None:
    case = replace(sample(1, 15)[0])
    craft = simulate_craft(replace(case, stroke=replace(case.stroke, port=None)))
    for name in ("side_n", "rolling_moment_n_m", "yawing_moment_n_m"):
        assert np.max(np.abs(craft.series[name])) == 0.0
