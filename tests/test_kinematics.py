"""The wing's motion: exact derivatives, the agreed signs, and the schedules a stroke asks for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from flapsim.case import Heave, Port, Schedule, Section, Segment, SegmentStroke, Stroke, Twist, Wing
from flapsim.faults import CaseError
from flapsim.wing import stroke as kinematics
from flapsim.wing.motion import strip_motion
from flapsim.wing.schedule import HARMONICS, evaluate, harmonic
from flapsim.wing.strips import Strips, strips
from flapsim.wing.stroke import SCHEDULES, TRUNCATION_LIMIT, stroke_schedules

OFFSET = 0.05
AXIS = 0.25
FREQUENCY = 2.3
OMEGA = 2.0 * np.pi * FREQUENCY
TAU = np.linspace(0.0, 2.0 * np.pi, 7)[:-1]

# Positions are of order 1 m, velocities 10 m/s, accelerations 1000 m/s^2.
ROUNDING = 1e-12

WING = Wing(
    twist_axis=AXIS,
    section=Section(law="thin-airfoil"),
    inner=Segment(length_m=0.25, chord_m=((0.0, 0.28), (1.0, 0.25)), strips=2),
    outer=Segment(length_m=0.35, chord_m=((0.0, 0.25), (1.0, 0.1)), strips=3),
)
STRIPS = strips(WING, OFFSET)

random_strokes = st.integers(0, 2**32 - 1)
tilts = st.floats(-1.2, 1.2)


def random_schedules(seed: int) -> np.ndarray:
    """Strong first, weak second and third harmonics: angles beyond any small-angle form."""
    rng = np.random.default_rng(seed)
    rows = np.zeros((SCHEDULES, 2 * HARMONICS + 1))
    rows[:, 0] = rng.uniform(-0.3, 0.3, SCHEDULES)
    for order, size in ((1, 0.6), (2, 0.15), (3, 0.05)):
        rows[:, order] = rng.uniform(-size, size, SCHEDULES)
        rows[:, HARMONICS + order] = rng.uniform(-size, size, SCHEDULES)
    return rows


def schedules_of(**series) -> np.ndarray:
    """Rows by name, harmonic (mean, amplitude, lag); the rest is still."""
    rows = np.zeros((SCHEDULES, 2 * HARMONICS + 1))
    for name, terms in series.items():
        rows[getattr(kinematics, name.upper())] = harmonic(*terms).coefficients
    return rows


def motion(schedules, plane=0.0, tau=TAU, point=None, of: Strips = STRIPS):
    return strip_motion(of, schedules, FREQUENCY, OFFSET, plane, tau, AXIS, point)


def at(distance: float, *, outer: bool) -> Strips:
    """One strip anywhere on a segment, its ends included."""
    segment = WING.outer if outer else WING.inner
    fraction = distance / segment.length_m
    ends = np.array(segment.chord_m).T
    return replace(
        STRIPS,
        segment=np.array([int(outer)]),
        distance=np.array([distance]),
        fraction=np.array([fraction]),
        chord=np.interp([fraction], *ends),
    )


# --- an independent twin: nested rotation matrices, complex phase ------------------------------


def value(terms: np.ndarray, tau: complex) -> complex:
    order = np.arange(1, HARMONICS + 1)
    cosine, sine = terms[1 : HARMONICS + 1], terms[HARMONICS + 1 :]
    return terms[0] + np.sum(cosine * np.cos(order * tau) + sine * np.sin(order * tau))


def about_x(angle: complex) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def about_y(angle: complex) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])


def about_z(angle: complex) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def twin_position(strip: int, schedules, plane: float, tau: complex, point: float) -> np.ndarray:
    """Body <- tilt <- inner plunge <- outer plunge <- sweep <- twist; y is the span axis.

    Nose-up is a positive rotation about y; aft sweep a negative one about z.
    """
    p1, p2, q, r1, t1, r2, t2, heave = (value(row, tau) for row in schedules)
    r, eta = STRIPS.distance[strip], STRIPS.fraction[strip]
    along, chordwise = np.array([0, r, 0]), np.array([(point - AXIS) * STRIPS.chord[strip], 0, 0])
    if STRIPS.segment[strip] == 0:
        twist = about_y((1 - eta) * r1 + eta * t1 - plane)
        wing_point = about_x(p1) @ (along + twist @ chordwise)
    else:
        twist = about_y((1 - eta) * r2 + eta * t2 - plane)
        beyond_wrist = about_x(p2) @ about_z(-q) @ (along + twist @ chordwise)
        wing_point = about_x(p1) @ (np.array([0, STRIPS.inner_length, 0]) + beyond_wrist)
    shoulder, lifted = np.array([0, OFFSET, 0]), np.array([0, 0, heave])
    return about_y(plane) @ (shoulder + wing_point) + lifted


@given(random_strokes, tilts, st.floats(0.0, 1.0))
def test_position_and_velocity_agree_with_nested_rotations(seed, plane, point):
    schedules, step = random_schedules(seed), 1e-30
    moved = motion(schedules, plane, TAU[:2], point)
    for strip in range(len(STRIPS.chord)):
        for n, tau in enumerate(TAU[:2]):
            # Complex step: value and derivative in one evaluation, exact to rounding.
            there = twin_position(strip, schedules, plane, tau + 1j * step, point)
            assert_allclose(moved.position[:, strip, n], there.real, atol=ROUNDING)
            assert_allclose(
                moved.velocity[:, strip, n], OMEGA * there.imag / step, atol=1e1 * ROUNDING
            )


# Central difference of eighth order: at a step of 1e-2 its error is (1e-2)^8/630 times the ninth
# derivative, which for three harmonics of these amplitudes is below 1e6: about 1e-13 of the value,
# less than the 1e-16/1e-2 of rounding.
EIGHTH_ORDER = ((1, 4 / 5), (2, -1 / 5), (3, 4 / 105), (4, -1 / 280))
STEP = 1e-2


def time_derivative(quantity, tau: np.ndarray) -> np.ndarray:
    ahead_less_behind = sum(
        weight * (quantity(tau + k * STEP) - quantity(tau - k * STEP)) for k, weight in EIGHTH_ORDER
    )
    return OMEGA * ahead_less_behind / STEP


@given(random_strokes, tilts, st.floats(0.0, 1.0))
def test_acceleration_is_the_derivative_of_velocity(seed, plane, point):
    schedules = random_schedules(seed)
    expected = time_derivative(lambda tau: motion(schedules, plane, tau, point).velocity, TAU)
    assert_allclose(motion(schedules, plane, TAU, point).acceleration, expected, atol=1e-8)


@given(random_strokes, tilts)
def test_section_turns_with_its_angular_velocity(seed, plane):
    schedules = random_schedules(seed)
    moved = motion(schedules, plane)
    for name in ("chordwise", "normal"):  # two vectors fixed in the section fix its turning
        expected = time_derivative(
            lambda tau, name=name: getattr(motion(schedules, plane, tau), name), TAU
        )
        turned = np.cross(moved.angular_velocity, getattr(moved, name), axis=0)
        assert_allclose(turned, expected, atol=1e-9)


@given(random_strokes, tilts)
def test_section_axes_are_a_right_handed_triad(seed, plane):
    moved = motion(random_schedules(seed), plane)
    assert_allclose(np.cross(moved.chordwise, moved.spanwise, axis=0), moved.normal, atol=ROUNDING)
    for axis in (moved.chordwise, moved.spanwise):
        assert_allclose(np.sum(axis**2, axis=0), 1.0, atol=ROUNDING)


@given(random_strokes, tilts, st.floats(0.0, 1.0))
def test_chord_points_lie_on_the_chord_line(seed, plane, point):
    schedules = random_schedules(seed)
    on_axis, off_axis = motion(schedules, plane), motion(schedules, plane, point=point)
    arm = (point - AXIS) * STRIPS.chord[:, None] * on_axis.chordwise
    assert_allclose(off_axis.position - on_axis.position, arm, atol=ROUNDING)
    assert_allclose(
        off_axis.velocity - on_axis.velocity,
        np.cross(on_axis.angular_velocity, arm, axis=0),
        atol=1e1 * ROUNDING,
    )


def test_one_chord_fraction_per_strip_is_allowed():
    schedules, points = random_schedules(1), np.linspace(0.0, 1.0, len(STRIPS.chord))
    together = motion(schedules, point=points)
    for strip, point in enumerate(points):
        alone = motion(schedules, point=point)
        assert_allclose(together.velocity[:, strip], alone.velocity[:, strip], atol=ROUNDING)


# --- what the aerodynamics uses: scalars in the segment frame ----------------------------------


@given(random_strokes, tilts, st.floats(-0.5, 0.5), st.floats(0.0, 12.0))
def test_scalar_velocities_and_rotation_rate_are_components_of_the_vectors(
    seed, plane, pitch, airspeed
):
    """Relative air velocity and rotation rate written out by components, against dot products."""
    schedules = random_schedules(seed)
    values, rates, _ = evaluate(schedules.T, TAU)
    p1, p2, q, *twists, _ = values.T
    p1_rate, p2_rate, q_rate, *twist_rates, heave_rate = OMEGA * rates.T
    beta = pitch + plane
    air_x = airspeed * np.cos(beta) + heave_rate * np.sin(plane)
    air_z = airspeed * np.sin(beta) - heave_rate * np.cos(plane)

    moved = motion(schedules, plane)
    air = airspeed * np.array([np.cos(pitch), 0.0, np.sin(pitch)])[:, None, None]
    relative = air - moved.velocity
    for i in range(len(STRIPS.chord)):
        r, eta = STRIPS.distance[i], STRIPS.fraction[i]
        start = 2 * STRIPS.segment[i]
        theta = (1 - eta) * twists[start] + eta * twists[start + 1] - plane
        theta_rate = (1 - eta) * twist_rates[start] + eta * twist_rates[start + 1]
        if STRIPS.segment[i] == 0:
            along_chord = air_x
            along_normal = air_z * np.cos(p1) - r * p1_rate
            turning = theta_rate
        else:
            absolute, absolute_rate = p1 + p2, p1_rate + p2_rate
            length = STRIPS.inner_length
            along_chord = (
                air_x * np.cos(q)
                - air_z * np.sin(absolute) * np.sin(q)
                + length * p1_rate * np.sin(p2) * np.sin(q)
                - r * q_rate
            )
            along_normal = (
                air_z * np.cos(absolute)
                - length * p1_rate * np.cos(p2)
                - r * absolute_rate * np.cos(q)
            )
            turning = theta_rate + absolute_rate * np.sin(q)
        u = np.sum(relative[:, i] * moved.chordwise[:, i], axis=0)
        w = np.sum(relative[:, i] * moved.normal[:, i], axis=0)
        about_span = np.sum(moved.angular_velocity[:, i] * moved.spanwise[:, i], axis=0)
        slack = 1e2 * ROUNDING
        assert_allclose(along_chord * np.cos(theta) - along_normal * np.sin(theta), u, atol=slack)
        assert_allclose(along_chord * np.sin(theta) + along_normal * np.cos(theta), w, atol=slack)
        assert_allclose(turning, about_span, atol=slack)


# --- signs -------------------------------------------------------------------------------------


def test_positive_plunge_raises_the_tip():
    moved = motion(schedules_of(plunge_inner=(0.3, 0.0, 0.0)))
    assert np.all(moved.position[2] > 0.0)
    straight = OFFSET + (STRIPS.span_position - OFFSET) * np.cos(0.3)
    assert_allclose(moved.position[1, :, 0], straight, atol=ROUNDING)


def test_outer_plunge_adds_to_the_inner_one():
    moved = motion(schedules_of(plunge_inner=(0.3, 0.0, 0.0), plunge_outer=(-0.3, 0.0, 0.0)))
    outer = STRIPS.segment == 1
    assert_allclose(moved.position[2, outer], STRIPS.inner_length * np.sin(0.3), atol=ROUNDING)


def test_positive_sweep_moves_the_outer_segment_aft():
    moved = motion(schedules_of(sweep_outer=(0.4, 0.0, 0.0)))
    outer = STRIPS.segment == 1
    aft = STRIPS.distance[outer, None] * np.sin(0.4) * np.ones_like(TAU)
    assert_allclose(moved.position[0, outer], aft, atol=ROUNDING)
    assert_allclose(moved.position[0, ~outer], 0.0, atol=ROUNDING)


def test_positive_twist_raises_the_leading_edge():
    twisted = dict.fromkeys(("twist_inner_root", "twist_inner_tip"), (0.2, 0.0, 0.0))
    nose = motion(schedules_of(**twisted), point=0.0)
    inner = STRIPS.segment == 0
    up = AXIS * STRIPS.chord[inner, None] * np.sin(0.2) * np.ones_like(TAU)
    assert_allclose(nose.position[2, inner], up, atol=ROUNDING)


def test_twist_runs_linearly_from_root_to_tip():
    moved = motion(schedules_of(twist_outer_root=(0.1, 0.0, 0.0), twist_outer_tip=(0.5, 0.0, 0.0)))
    outer = STRIPS.segment == 1
    twist = np.arctan2(-moved.chordwise[2, outer, 0], moved.chordwise[0, outer, 0])
    assert_allclose(twist, 0.1 + 0.4 * STRIPS.fraction[outer], atol=ROUNDING)


@given(st.floats(0.05, 1.2))
def test_positive_tilt_moves_the_downstroke_down_and_forward(plane):
    # Plunge = cos tau: halfway down at tau = pi/2, halfway up at 3 pi/2.
    schedules = schedules_of(plunge_inner=(0.0, 0.5, 0.0))
    velocity = motion(schedules, plane, [np.pi / 2, 3 * np.pi / 2]).velocity
    forward, up = -velocity[0], velocity[2]
    assert np.all(np.sign(forward) == [1, -1])
    assert np.all(np.sign(up) == [-1, 1])
    assert_allclose(forward[:, 0] / -up[:, 0], np.tan(plane), rtol=1e-9)


@given(tilts)
def test_tilt_leaves_the_twist_of_an_unflapped_wing_alone(plane):
    twisted = dict.fromkeys(("twist_inner_root", "twist_inner_tip"), (0.2, 0.1, 0.3))
    twisted |= dict.fromkeys(("twist_outer_root", "twist_outer_tip"), (0.2, 0.1, 0.3))
    level, tilted = motion(schedules_of(**twisted)), motion(schedules_of(**twisted), plane)
    for name in ("chordwise", "normal", "position", "velocity"):
        assert_allclose(getattr(tilted, name), getattr(level, name), atol=1e1 * ROUNDING)


@given(random_strokes, tilts)
def test_heave_moves_every_point_along_the_body_z_axis(seed, plane):
    heaving = random_schedules(seed)
    still = heaving.copy()
    still[kinematics.HEAVE] = 0.0
    value_, rate, curvature = evaluate(heaving[kinematics.HEAVE], TAU)
    first, second = motion(heaving, plane), motion(still, plane)
    orders = (value_, OMEGA * rate, OMEGA**2 * curvature)
    for name, expected in zip(("position", "velocity", "acceleration"), orders, strict=True):
        change = getattr(first, name) - getattr(second, name)
        assert_allclose(change[:2], 0.0, atol=1e-9)
        assert_allclose(change[2], np.broadcast_to(expected, change[2].shape), atol=1e-9)


@given(random_strokes, tilts)
def test_segments_stay_joined_at_the_wrist_and_hinged_at_the_shoulder(seed, plane):
    schedules = random_schedules(seed)
    schedules[kinematics.HEAVE] = 0.0
    shoulder = motion(schedules, plane, of=at(0.0, outer=False))
    assert_allclose(shoulder.position[:, 0], np.outer([0, OFFSET, 0], np.ones(6)), atol=ROUNDING)
    end_of_inner = motion(schedules, plane, of=at(WING.inner.length_m, outer=False))
    start_of_outer = motion(schedules, plane, of=at(0.0, outer=True))
    for name in ("position", "velocity", "acceleration"):
        assert_allclose(
            getattr(start_of_outer, name), getattr(end_of_inner, name), rtol=1e-12, atol=1e-9
        )


@given(random_strokes, st.floats(0.1, 20.0))
def test_velocity_grows_with_frequency_and_acceleration_with_its_square(seed, frequency):
    schedules = random_schedules(seed)
    slow = strip_motion(STRIPS, schedules, 1.0, OFFSET, 0.2, TAU, AXIS)
    fast = strip_motion(STRIPS, schedules, frequency, OFFSET, 0.2, TAU, AXIS)
    assert_allclose(fast.position, slow.position, atol=ROUNDING)
    assert_allclose(fast.velocity, frequency * slow.velocity, rtol=1e-12, atol=1e-10)
    assert_allclose(fast.acceleration, frequency**2 * slow.acceleration, rtol=1e-12, atol=1e-8)


# --- the schedules of a stroke -----------------------------------------------------------------

NOWHERE = Path("no-such-folder")


def wave(mean: float, amplitude: float, lag: float) -> Schedule:
    return Schedule(mean_deg=mean, amplitude_deg=amplitude, lag_deg=lag)


def coefficients_deg(mean: float, amplitude: float, lag: float) -> np.ndarray:
    return harmonic(np.radians(mean), np.radians(amplitude), np.radians(lag)).coefficients


SURVEYOR = Stroke(
    frequency_hz=2.8,
    inner=SegmentStroke(plunge=wave(4.0, 20.4, 0.0), twist=Twist(tip=wave(0.0, 10.5, -72.0))),
    outer=SegmentStroke(
        plunge=wave(0.0, 20.4, 56.0),
        sweep=wave(3.0, 5.0, 90.0),
        twist=Twist(tip=wave(-3.6, 34.0, -57.0)),
    ),
)


def rows_of(stroke: Stroke, side="starboard", folder: Path = NOWHERE) -> np.ndarray:
    return stroke_schedules(stroke, side, folder)[0]


def faults_of(stroke: Stroke, side="starboard", folder: Path = NOWHERE):
    with pytest.raises(CaseError) as caught:
        stroke_schedules(stroke, side, folder, "surveyor.toml")
    return caught.value.faults


def test_degrees_become_radians_row_by_row():
    rows, truncation = stroke_schedules(SURVEYOR, "starboard", NOWHERE)
    assert rows.shape == (SCHEDULES, 2 * HARMONICS + 1)
    expected = {
        kinematics.PLUNGE_INNER: (4.0, 20.4, 0.0),
        kinematics.PLUNGE_OUTER: (0.0, 20.4, 56.0),
        kinematics.SWEEP_OUTER: (3.0, 5.0, 90.0),
        kinematics.TWIST_INNER_ROOT: (0.0, 0.0, 0.0),
        kinematics.TWIST_INNER_TIP: (0.0, 10.5, -72.0),
        kinematics.TWIST_OUTER_ROOT: (0.0, 10.5, -72.0),  # follows the inner tip
        kinematics.TWIST_OUTER_TIP: (-3.6, 34.0, -57.0),
        kinematics.HEAVE: (0.0, 0.0, 0.0),
    }
    for row, terms in expected.items():
        assert_allclose(rows[row], coefficients_deg(*terms), atol=1e-15)
    assert truncation == 0.0


def test_what_the_stroke_leaves_out_stands_still():
    assert not np.any(rows_of(Stroke(frequency_hz=1.0)))
    assert not np.any(rows_of(Stroke(frequency_hz=1.0, outer=SegmentStroke())))


def test_a_given_root_is_used_on_both_segments():
    root = wave(1.0, 2.0, 30.0)
    twist = Twist(tip=wave(0.0, 5.0, 0.0), root=root)
    stroke = replace(SURVEYOR, inner=SegmentStroke(twist=twist), outer=SegmentStroke(twist=twist))
    rows = rows_of(stroke)
    for row in (kinematics.TWIST_INNER_ROOT, kinematics.TWIST_OUTER_ROOT):
        assert_allclose(rows[row], coefficients_deg(1.0, 2.0, 30.0), atol=1e-15)


def test_an_outer_segment_without_twist_is_carried_untwisted_by_the_inner_tip():
    rows = rows_of(replace(SURVEYOR, outer=SegmentStroke()))
    assert_allclose(rows[kinematics.TWIST_OUTER_ROOT], rows[kinematics.TWIST_INNER_TIP])
    assert_allclose(rows[kinematics.TWIST_OUTER_TIP], rows[kinematics.TWIST_INNER_TIP])


def test_heave_is_in_metres():
    heave = Heave(mean_m=0.01, amplitude_m=0.05, lag_deg=90.0)
    rows = rows_of(replace(SURVEYOR, heave=heave))
    assert_allclose(
        rows[kinematics.HEAVE], harmonic(0.01, 0.05, np.pi / 2).coefficients, atol=1e-16
    )


@pytest.mark.parametrize(
    "heave",
    [
        Heave(shape="quick-return", amplitude_m=0.05, downstroke_fraction=0.3),
        Heave(shape="fourier", cos_m=(0.05, 0.01), sin_m=(0.0, 0.002)),
    ],
    ids=["quick-return", "fourier"],
)
def test_heave_takes_the_forms_of_an_angle(heave):
    turned = Schedule(
        shape=heave.shape,
        amplitude_deg=np.degrees(heave.amplitude_m),
        downstroke_fraction=heave.downstroke_fraction,
        cos_deg=tuple(np.degrees(heave.cos_m)),
        sin_deg=tuple(np.degrees(heave.sin_m)),
    )
    rows = rows_of(replace(SURVEYOR, heave=heave, inner=SegmentStroke(plunge=turned)))
    assert np.any(rows[kinematics.HEAVE])
    assert_allclose(rows[kinematics.HEAVE], rows[kinematics.PLUNGE_INNER], atol=1e-16)


def test_a_servo_twist_is_its_command():
    tip = wave(-3.6, 34.0, -57.0)
    servo = Twist(mode="servo", tip=tip, bandwidth_hz=9.0)
    stroke = replace(SURVEYOR, outer=replace(SURVEYOR.outer, twist=servo))
    assert_allclose(rows_of(stroke), rows_of(SURVEYOR))


def test_a_passive_twist_rests_at_its_angle_from_the_root():
    passive = Twist(mode="passive", rest_deg=2.0, stiffness_n_m_rad=0.1)
    rows = rows_of(replace(SURVEYOR, outer=replace(SURVEYOR.outer, twist=passive)))
    change = rows[kinematics.TWIST_OUTER_TIP] - rows[kinematics.TWIST_OUTER_ROOT]
    assert_allclose(change, coefficients_deg(2.0, 0.0, 0.0), atol=1e-16)


@given(st.lists(st.floats(-40.0, 40.0), min_size=12, max_size=12), st.floats(-180.0, 180.0))
def test_the_port_half_mirrors_starboard_unless_told_otherwise(angles, lag):
    inner = SegmentStroke(plunge=wave(*angles[:2], lag), twist=Twist(tip=wave(*angles[2:4], lag)))
    outer = SegmentStroke(
        plunge=wave(*angles[4:6], lag),
        sweep=wave(*angles[6:8], lag),
        twist=Twist(tip=wave(*angles[8:10], lag), root=wave(*angles[10:], lag)),
    )
    stroke = Stroke(frequency_hz=3.0, inner=inner, outer=outer)
    assert np.array_equal(rows_of(stroke, "port"), rows_of(stroke, "starboard"))
    told_the_same = replace(stroke, port=Port(inner=inner, outer=outer))
    assert np.array_equal(rows_of(told_the_same, "port"), rows_of(stroke, "starboard"))


def test_a_port_segment_replaces_the_mirrored_one_on_its_side_only():
    own = SegmentStroke(plunge=wave(0.0, 10.0, 0.0), twist=Twist(tip=wave(0.0, 3.0, 0.0)))
    stroke = replace(SURVEYOR, port=Port(inner=own))
    starboard, port = rows_of(stroke, "starboard"), rows_of(stroke, "port")
    assert np.array_equal(starboard, rows_of(SURVEYOR))
    assert_allclose(port[kinematics.PLUNGE_INNER], coefficients_deg(0.0, 10.0, 0.0), atol=1e-15)
    assert_allclose(port[kinematics.TWIST_OUTER_ROOT], coefficients_deg(0.0, 3.0, 0.0), atol=1e-15)
    for row in (kinematics.PLUNGE_OUTER, kinematics.SWEEP_OUTER, kinematics.TWIST_OUTER_TIP):
        assert np.array_equal(port[row], starboard[row])
    outer_only = rows_of(replace(SURVEYOR, port=Port(outer=own)), "port")
    assert np.array_equal(outer_only[kinematics.PLUNGE_INNER], starboard[kinematics.PLUNGE_INNER])
    assert not np.any(outer_only[kinematics.SWEEP_OUTER])


@given(st.floats(-180.0, 180.0), st.floats(-180.0, 180.0))
def test_a_common_lag_of_every_schedule_shifts_the_whole_motion(lag, more):
    def stroke(shift: float) -> Stroke:
        return Stroke(
            frequency_hz=FREQUENCY,
            heave=Heave(amplitude_m=0.05, lag_deg=shift),
            inner=SegmentStroke(plunge=wave(4.0, 30.0, shift)),
            outer=SegmentStroke(plunge=wave(0.0, 25.0, shift + 56.0), sweep=wave(0.0, 20.0, shift)),
        )

    first = motion(rows_of(stroke(lag)), 0.3, TAU)
    later = motion(rows_of(stroke(lag + more)), 0.3, TAU + np.radians(more))
    for name in ("position", "velocity", "angular_velocity"):
        assert_allclose(getattr(later, name), getattr(first, name), atol=1e-10)
    assert_allclose(later.acceleration, first.acceleration, atol=1e-8)


def test_samples_are_read_from_the_folder_of_the_case(tmp_path):
    phase = np.arange(0.0, 360.0, 2.0)
    lines = [f"{p:.1f},{20.0 * np.cos(np.radians(p)):.10f}" for p in phase]
    (tmp_path / "flap.csv").write_text("phase_deg,angle_deg\n" + "\n".join(lines) + "\n")
    lines = [f"{p:.1f},{0.05 * np.cos(np.radians(p)):.10f}" for p in phase]
    (tmp_path / "lift.csv").write_text("phase_deg,height_m\n" + "\n".join(lines) + "\n")
    stroke = Stroke(
        frequency_hz=3.0,
        heave=Heave(shape="samples", file="lift.csv"),
        inner=SegmentStroke(plunge=Schedule(shape="samples", file="flap.csv")),
    )
    rows, truncation = stroke_schedules(stroke, "starboard", tmp_path)
    # 180 samples of one wave: (2 pi/180)^4/720 = 2e-9 of the amplitude; ten decimals were written.
    assert_allclose(rows[kinematics.PLUNGE_INNER], coefficients_deg(0.0, 20.0, 0.0), atol=3e-9)
    assert_allclose(rows[kinematics.HEAVE], harmonic(0.0, 0.05, 0.0).coefficients, atol=3e-10)
    assert 0.0 < truncation < 1e-8


def test_samples_that_jump_are_refused_at_their_file_key(tmp_path):
    rows = "\n".join(f"{p},{p / 10}" for p in range(0, 360, 5))
    (tmp_path / "saw.csv").write_text(f"phase_deg,angle_deg\n{rows}\n")
    saw = Schedule(shape="samples", file="saw.csv")
    stroke = replace(SURVEYOR, inner=SegmentStroke(twist=Twist(tip=saw)))
    (fault,) = faults_of(stroke, folder=tmp_path)
    assert (fault.file, fault.key) == ("surveyor.toml", "stroke.inner.twist.tip_file")
    assert "%" in fault.given
    assert "0.1 %" in fault.allowed


def test_a_file_of_samples_that_is_not_there_is_a_fault(tmp_path):
    stroke = replace(
        SURVEYOR, inner=SegmentStroke(plunge=Schedule(shape="samples", file="none.csv"))
    )
    (fault,) = faults_of(stroke, folder=tmp_path)
    assert "none.csv" in str(fault)


def test_harmonics_beyond_the_last_are_refused_at_their_key():
    cosines = (10.0, *(0.0,) * (HARMONICS - 1), 0.1)
    plunge = Schedule(shape="fourier", cos_deg=cosines)
    (fault,) = faults_of(replace(SURVEYOR, outer=SegmentStroke(plunge=plunge)))
    assert fault.key == "stroke.outer.plunge.cos_deg"
    heave = Heave(shape="fourier", cos_m=cosines)
    (fault,) = faults_of(replace(SURVEYOR, heave=heave))
    assert fault.key == "stroke.heave.cos_m"


def test_harmonics_beyond_the_last_within_the_limit_are_reported_not_refused():
    cosines = (10.0, *(0.0,) * (HARMONICS - 1), 0.5 * TRUNCATION_LIMIT * 10.0)
    plunge = Schedule(shape="fourier", cos_deg=cosines)
    stroke = replace(SURVEYOR, inner=SegmentStroke(plunge=plunge))
    truncation = stroke_schedules(stroke, "starboard", NOWHERE)[1]
    assert_allclose(truncation, 0.5 * TRUNCATION_LIMIT, rtol=2e-3)


def four_bar(base: float) -> Schedule:
    return Schedule(shape="linkage", crank_m=0.02, rocker_m=0.05, coupler_m=0.08, base_m=base)


def test_a_linkage_drives_the_plunge():
    rows = rows_of(replace(SURVEYOR, inner=SegmentStroke(plunge=four_bar(0.09))))
    top, rate, _ = evaluate(rows[kinematics.PLUNGE_INNER], 0.0)
    # Half the angle between the rocker's extremes, by the law of cosines.
    folded, stretched = (
        np.arccos((0.09**2 + 0.05**2 - reach**2) / (2 * 0.09 * 0.05)) for reach in (0.06, 0.10)
    )
    assert_allclose(top, 0.5 * (stretched - folded), atol=1e-9)
    assert_allclose(rate, 0.0, atol=1e-9)


def test_a_linkage_whose_crank_cannot_turn_is_refused_by_its_lengths():
    stroke = replace(SURVEYOR, port=Port(outer=SegmentStroke(plunge=four_bar(0.12))))
    (fault,) = faults_of(stroke, "port")
    assert fault.key == "stroke.port.outer.plunge.crank_m"
    assert fault.given == "crank_m = 0.02, base_m = 0.12, rocker_m = 0.05, coupler_m = 0.08"
    assert fault.allowed == "crank + base shorter than rocker + coupler"
    assert not np.any(
        rows_of(stroke, "starboard")[kinematics.SWEEP_OUTER]
        - rows_of(SURVEYOR)[kinematics.SWEEP_OUTER]
    )


def test_of_many_linkages_the_worst_is_refused_by_its_lengths():
    lengths = {"crank_m": np.array([0.02, 0.02, 0.02]), "base_m": np.array([0.09, 0.12, 0.13])}
    plunge = replace(four_bar(0.09), **lengths)
    (fault,) = faults_of(replace(SURVEYOR, inner=SegmentStroke(plunge=plunge)))
    assert fault.given == "crank_m = 0.02, base_m = 0.13, rocker_m = 0.05, coupler_m = 0.08"


def test_all_faults_come_at_once():
    bad = four_bar(0.12)
    stroke = replace(
        SURVEYOR,
        inner=SegmentStroke(plunge=bad, twist=Twist(tip=bad, root=bad)),
        outer=SegmentStroke(sweep=bad),
    )
    assert [fault.key for fault in faults_of(stroke)] == [
        "stroke.inner.plunge.crank_m",
        "stroke.inner.twist.root_crank_m",
        "stroke.inner.twist.tip_crank_m",
        "stroke.outer.sweep.crank_m",
    ]
