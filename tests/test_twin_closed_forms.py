"""The referee against closed forms: thin-airfoil theory, lags, finite wings, stalled plates.

Each tolerance is argued where it stands. Labels: exact (follows from the equations), published.
"""

from __future__ import annotations

import numpy as np
import pytest

from flapsim.case import Schedule, Twist
from flapsim.half_wing.polar import polar_table
from tests.designs import sample
from tests.twin import wake
from tests.twin.half_wing import TwinResult, simulate_half
from tests.twin.rig import CHORD, DENSITY, SPEED, coefficients, harmonic_of, rig
from tests.twin.section import Flow, Plate, Table, attached_weight

# ------------------------------------------------------------------------- sections between walls


@pytest.mark.parametrize("apparent_mass", [True, False])
@pytest.mark.parametrize("heave_m", [0.01, 0.2])
def test_quasi_steady_plunge_makes_thrust_pi_times_speed_ratio_squared(
    heave_m: float, apparent_mass: bool
) -> None:
    """Exact at any amplitude: CT = CP = pi (omega z0 / U)^2, Garrick (1936) with C = 1."""
    case = rig(heave_m=heave_m, apparent_mass=apparent_mass)
    found = coefficients(simulate_half(case))
    ratio = 2.0 * np.pi * case.stroke.frequency_hz * heave_m / SPEED
    assert found["thrust"] == pytest.approx(np.pi * ratio**2, rel=1e-12)
    assert found["power"] == pytest.approx(np.pi * ratio**2, rel=1e-12)


@pytest.mark.parametrize("pitch_deg", [-7.0, 0.0, 12.0])
@pytest.mark.parametrize("zero_lift_deg", [0.0, -5.0])
def test_steady_thin_airfoil_has_lift_of_glauert_and_no_drag(
    pitch_deg: float, zero_lift_deg: float
) -> None:
    """Exact: CL = 2 pi (sin a + e cos a), CD = 0, CM = -(pi/2) e cos^2 a about the quarter chord.

    Thin-airfoil theory (Glauert 1926) for a parabolic camber line of zero-lift incidence -e.
    """
    case = rig(pitch_deg=pitch_deg, section={"zero_lift_deg": zero_lift_deg})
    half = simulate_half(case)
    found = coefficients(half)
    alpha, camber = np.radians(pitch_deg), -np.radians(zero_lift_deg)
    expected = 2.0 * np.pi * (np.sin(alpha) + camber * np.cos(alpha))
    np.testing.assert_allclose(found["lift"], expected, rtol=1e-12, atol=1e-12)
    assert found["thrust"] == pytest.approx(0.0, abs=1e-12)
    moment = half.fields["moment_n_m_m"] / (0.5 * DENSITY * SPEED**2 * CHORD**2)
    np.testing.assert_allclose(moment, -0.5 * np.pi * camber * np.cos(alpha) ** 2, atol=1e-12)


def jones_lift_function(k: float) -> complex:
    """Theodorsen's function as Jones' two exponentials imply it (NACA TR 681, 1940)."""
    return 1.0 - 0.165 * 1j * k / (1j * k + 0.0455) - 0.335 * 1j * k / (1j * k + 0.300)


SMALL = 1e-3  # amplitude over chord, or rad: second-order terms are of relative size 1e-6
LAG_STEP_ERROR = 2e-6  # of the lag's fourth-order rule with 256 steps, at k <= 1


@pytest.mark.parametrize("k", [0.1, 0.3, 0.5, 1.0])
def test_small_plunge_is_that_of_garrick(k: float) -> None:
    """Published: Garrick, NACA TR 567 (1936); lift of Theodorsen, NACA TR 496 (1935)."""
    amplitude = SMALL * CHORD
    case = rig(heave_m=amplitude, reduced_frequency=k, wake="indicial", wake_lag="two-dimensional")
    found = coefficients(simulate_half(case))
    lag = jones_lift_function(k)
    assert found["thrust"] == pytest.approx(
        4.0 * np.pi * (k * abs(lag) * SMALL) ** 2, rel=LAG_STEP_ERROR + SMALL**2
    )
    assert found["power"] == pytest.approx(
        4.0 * np.pi * k**2 * lag.real * SMALL**2, rel=LAG_STEP_ERROR + SMALL**2
    )
    # z = z0 cos tau: added mass 2 pi k^2 z0/c, circulation -4 pi i k C z0/c.
    lift = (2.0 * np.pi * k**2 - 4.0j * np.pi * k * lag) * SMALL
    assert abs(harmonic_of(found["lift"]) - lift) < (LAG_STEP_ERROR + SMALL**2) * abs(lift)


@pytest.mark.parametrize("k", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("twist_axis", [0.0, 0.25, 0.5])
def test_small_pitch_is_that_of_theodorsen_and_garrick(k: float, twist_axis: float) -> None:
    """Published: lift and moment of Theodorsen (1935), thrust of Garrick (1936)."""
    theta = SMALL
    schedule = Schedule(amplitude_deg=float(np.degrees(theta)))
    case = rig(
        twist=Twist(tip=schedule, root=schedule),
        twist_axis=twist_axis,
        reduced_frequency=k,
        wake="indicial",
        wake_lag="two-dimensional",
    )
    half = simulate_half(case)
    found = coefficients(half)
    lag, a = jones_lift_function(k), 2.0 * (twist_axis - 0.5)
    # In semichords and with U = b = 1, theta = exp(i k s): downwash at 3/4 chord, lift, moment.
    rate = 1j * k
    downwash = 1.0 + rate * (0.5 - a)
    lift = np.pi * (rate - a * rate**2) + 2.0 * np.pi * lag * downwash
    moment = np.pi * (-(0.5 - a) * rate - (0.125 + a**2) * rate**2)
    moment += 2.0 * np.pi * (a + 0.5) * lag * downwash
    tolerance = LAG_STEP_ERROR + SMALL**2
    assert abs(harmonic_of(found["lift"]) - lift * theta) < tolerance * abs(lift * theta)
    about_axis = half.fields["moment_n_m_m"][0] / (2.0 * DENSITY * SPEED**2 * (CHORD / 2) ** 2)
    expected = 0.5 * moment * theta
    assert abs(harmonic_of(about_axis) - expected) < tolerance * max(abs(expected), theta)
    suction = (2.0 * lag * downwash - rate) / np.sqrt(2.0)
    thrust = 0.5 * np.pi * abs(suction) ** 2 - 0.5 * lift.real
    size = 0.5 * (np.pi * abs(suction) ** 2 + abs(lift))
    assert abs(found["thrust"] - thrust * theta**2) < tolerance * size * theta**2
    power = -0.5 * (moment * np.conj(rate)).real
    assert abs(found["power"] - power * theta**2) < tolerance * size * theta**2


def test_plate_normal_to_the_stream_has_the_measured_drag() -> None:
    """Published: C_D 1.98 between walls (Hoerner 1965); the force is at mid-chord."""
    case = rig(pitch_deg=90.0, section={"law": "thin-plate"}, twist_axis=0.5)
    half = simulate_half(case)
    found = coefficients(half)
    assert found["thrust"] == pytest.approx(-1.98, rel=1e-12)
    np.testing.assert_allclose(found["lift"], 0.0, atol=1e-12)
    np.testing.assert_allclose(half.fields["moment_n_m_m"], 0.0, atol=1e-12)


@pytest.mark.parametrize("pitch_deg", [-170.0, -120.0, -60.0, 25.0, 60.0, 135.0, 179.0])
def test_stalled_plate_feels_the_pressure_of_lindenburg_at_the_point_of_rayleigh(
    pitch_deg: float,
) -> None:
    """Published: CN of Lindenburg (2003), pressure point of Rayleigh (1876), all round."""
    case = rig(pitch_deg=pitch_deg, section={"law": "thin-plate"}, twist_axis=0.25)
    half = simulate_half(case)
    sine, cosine = np.sin(np.radians(pitch_deg)), np.cos(np.radians(pitch_deg))
    pressure = 0.5 * DENSITY * SPEED**2 * CHORD
    normal = half.fields["normal_force_n_m"] / pressure
    expected = 1.98 * sine / (0.56 + 0.44 * abs(sine))
    np.testing.assert_allclose(normal, expected, rtol=1e-12)
    np.testing.assert_allclose(half.fields["chordwise_force_n_m"], 0.0, atol=1e-13)
    point = 0.25 - half.fields["moment_n_m_m"] / (pressure * CHORD) / expected
    np.testing.assert_allclose(point, 0.5 - 0.75 * cosine / (4.0 + np.pi * abs(sine)), rtol=1e-12)


def test_below_stall_the_plate_is_the_thin_airfoil() -> None:
    plate, airfoil = (
        simulate_half(rig(heave_m=0.005, section={"law": law, "zero_lift_deg": -2.0}))
        for law in ("thin-plate", "thin-airfoil")
    )
    for name, values in airfoil.fields.items():
        np.testing.assert_array_equal(plate.fields[name], values)


def test_attached_weight_runs_from_kirchhoffs_quarter_to_one() -> None:
    np.testing.assert_allclose(attached_weight(np.array([0.0, 1.0])), [0.0, 1.0], atol=1e-15)


# ------------------------------------------------------------------------------------- lags


def test_periodic_lag_is_what_many_cycles_march_to() -> None:
    generator = np.random.default_rng(3)
    keep, add = generator.uniform(0.8, 0.99, (2, 16)), generator.normal(size=(2, 16))
    state = np.zeros(2)
    marched = np.empty((2, 16))
    for step in range(16 * 60):
        marched[:, step % 16] = state
        state = keep[:, step % 16] * state + add[:, step % 16]
    # Sixty cycles forget the start to (0.9^16)^60, far below rounding.
    np.testing.assert_allclose(wake.periodic(keep, add), marched, rtol=1e-11)


@pytest.mark.parametrize("k", [0.05, 0.2, 0.8])
def test_lag_of_a_harmonic_downwash_is_its_closed_form(k: float) -> None:
    steps, terms = 128, wake.lag_terms("finite-wing", 6.0)
    tau = 2.0 * np.pi * np.arange(steps) / steps
    q, rate = np.cos(tau)[None], -np.sin(tau)[None]
    travel = np.full((1, steps), 1.0 / k)  # semichords per radian of phase
    found = wake.lagged_downwash(q, rate, travel, tau[1], terms)
    ((amplitude, decay),) = terms
    expected = 1.0 - amplitude * 1j * k / (1j * k + decay)
    # Fourth-order rule, 128 steps, several decay lengths per step at the lowest frequency.
    assert abs(harmonic_of(found[0]) - expected) < 1e-5


def test_lag_converges_with_the_fourth_power_of_the_step() -> None:
    errors = []
    for steps in (32, 64, 128):
        tau = 2.0 * np.pi * np.arange(steps) / steps
        q, rate = np.cos(tau)[None], -np.sin(tau)[None]
        # Uneven travel, mean one: s = tau + 0.4 sin tau; the reference takes far more steps.
        fine = np.linspace(0.0, 2.0 * np.pi, 4097)[:-1]
        terms = [(0.5, 0.3)]
        reference = wake.lagged_downwash(
            np.cos(fine)[None], -np.sin(fine)[None], 1.0 + 0.4 * np.cos(fine)[None], fine[1], terms
        )
        found = wake.lagged_downwash(q, rate, 1.0 + 0.4 * np.cos(tau)[None], tau[1], terms)
        errors.append(np.max(np.abs(found - reference[:, :: 4096 // steps])))
    orders = np.log2(np.divide(errors[:-1], errors[1:]))
    assert np.all(orders > 3.7)


# ------------------------------------------------------------------------------- finite wings


def ellipse(span: float, area: float) -> tuple[tuple[float, float], ...]:
    """Chords of a half wing of elliptic planform, finely divided toward the tip."""
    fraction = np.sin(np.linspace(0.0, np.pi / 2.0, 120))
    root = 4.0 * area / (np.pi * span)
    chord = np.maximum(root * np.sqrt(1.0 - fraction**2), 1e-3 * root)
    return tuple(zip(fraction.tolist(), chord.tolist(), strict=True))


@pytest.mark.parametrize("aspect_ratio", [4.0, 8.0])
@pytest.mark.parametrize("induced", ["lifting-line", "slope"])
def test_plunging_elliptic_wing_has_efficiency_ar_over_ar_plus_2(
    aspect_ratio: float, induced: str
) -> None:
    """Published: Prandtl's elliptic wing, quasi-steady: CT = (v^2/2) 2 pi (AR/(AR+2))^2."""
    area = 4.0 / aspect_ratio
    case = rig(
        heave_m=1e-4,
        chord_m=ellipse(2.0, area),
        induced=induced,
        strip_count=24,
        modes=4,
        apparent_mass=False,
        steps=32,
    )
    found = coefficients(simulate_half(case))
    ratio = 2.0 * np.pi * case.stroke.frequency_hz * 1e-4 / SPEED
    factor = aspect_ratio / (aspect_ratio + 2.0)
    # The ellipse is a polygon of 120 chords with a blunt tip: 1e-3 of its area.
    assert found["thrust"] == pytest.approx(np.pi * ratio**2 * factor**2, rel=3e-3)
    assert found["thrust"] / found["power"] == pytest.approx(factor, rel=1e-3)


@pytest.mark.parametrize(
    ("aspect_ratio", "thrust", "power"),
    [(4.0, 0.2759414192, 0.4927062101), (6.0, 0.3673962619, 0.5801282427)],
)
def test_hinged_rectangle_on_the_lifting_line_is_glauerts(
    aspect_ratio: float, thrust: float, power: float
) -> None:
    """Lifting line by several hundred terms of Glauert's series, computed apart; small flapping."""
    case = rig(
        plunge=Schedule(amplitude_deg=0.05),
        chord_m=((0.0, 2.0 / aspect_ratio), (1.0, 2.0 / aspect_ratio)),
        induced="lifting-line",
        strip_count=40,
        modes=12,
        apparent_mass=False,
        steps=32,
    )
    found = coefficients(simulate_half(case))
    tip = 2.0 * np.pi * case.stroke.frequency_hz * np.radians(0.05) / SPEED
    # Twelve modes leave the kink of the hinge unresolved: 0.5 % of thrust.
    assert found["thrust"] / tip**2 == pytest.approx(thrust, rel=5e-3)
    assert found["power"] / tip**2 == pytest.approx(power, rel=5e-3)


def test_stalled_induced_velocity_solves_its_equation() -> None:
    """Prandtl's induced angle, 2 G/(pi c AR), holds at every strip, stalled or not.

    In reversed flow the sheet trails off the leading edge and its velocity changes sign.
    """
    for case in sample(12, 16, induced="slope", stall="static", law="thin-plate"):
        half = simulate_half(case)
        wing, fields = half.strips, half.fields
        expected = 2.0 * fields["circulation_m2_s"] / (np.pi * wing.chord[:, None])
        expected /= wing.aspect_ratio
        expected *= np.where(np.abs(fields["incidence_deg"]) > 90.0, -1.0, 1.0)
        scale = np.max(np.abs(half.velocities["lagged_downwash"]))
        assert np.max(np.abs(fields["induced_velocity_m_s"] - expected)) < 1e-11 * scale


# -------------------------------------------------------------------------------------- tables


def test_table_of_the_plate_law_gives_the_loads_of_the_plate() -> None:
    """A table of attached thin-airfoil coefficients is the thin airfoil, up to interpolation."""
    grid = np.radians(np.linspace(-180.0, 180.0, 1441))
    column = np.zeros((3, 1441))
    table = Table(2.0 * np.pi * np.sin(grid) + column, column, column, column + 1.0, column, column)
    plate = Plate(0.0, 1.0, np.zeros((3, 1)), 1.98, None)
    half = simulate_half(rig(heave_m=0.02, twist=Twist(tip=Schedule(amplitude_deg=8.0))))
    flow = _flow_of(half)
    q = half.velocities["downwash"]
    one, other = plate.loads(flow, q, q), table.loads(flow, q, q)
    # Linear interpolation on a quarter degree: (h^2/8) |CL''| = 5e-6 of 2 pi.
    for name in ("normal", "aft", "moment"):
        expected = getattr(one, name)
        scale = np.max(np.abs(one.normal)) * (CHORD if name == "moment" else 1.0)
        assert np.max(np.abs(getattr(other, name) - expected)) < 1e-5 * scale


def _flow_of(half: TwinResult) -> Flow:
    v = half.velocities
    return Flow(
        density=DENSITY,
        chord=half.strips.chord[:, None],
        twist_axis=0.25,
        apparent_mass=True,
        u=v["u"],
        u_rate=v["u_rate"],
        w_axis=v["w_axis"],
        w_axis_rate=v["w_axis_rate"],
        spin=v["spin"],
        spin_rate=v["spin_rate"],
    )


ALPHA_DEG = np.arange(-10.0, 16.5, 1.0)
LIFT = 0.1 * ALPHA_DEG + 0.3 - 2.5e-4 * ALPHA_DEG**3
DRAG, MOMENT = 0.02 + 4e-4 * ALPHA_DEG**2, -0.05 + 0.0 * ALPHA_DEG
DRAG_NORMAL = 1.25


def beyond_the_table(alpha: float, edge: float, lift: float, drag: float) -> tuple[float, float]:
    """Viterna and Corrigan's lift and drag from the edge to a right angle, written out, rad."""
    sine, cosine = np.sin(edge), np.cos(edge)
    a2 = (lift - DRAG_NORMAL * sine * cosine) * sine / cosine**2
    b2 = (drag - DRAG_NORMAL * sine**2) / cosine
    return (
        0.5 * DRAG_NORMAL * np.sin(2.0 * alpha) + a2 * np.cos(alpha) ** 2 / np.sin(alpha),
        DRAG_NORMAL * np.sin(alpha) ** 2 + b2 * np.cos(alpha),
    )


@pytest.fixture(scope="module")
def polar_columns() -> dict[str, np.ndarray]:
    """The package's table of the polar, by column; the twin shares it with the kernel."""
    table = polar_table(
        ALPHA_DEG, np.array([1e5]), LIFT[None], DRAG[None], MOMENT[None], DRAG_NORMAL
    )
    names = ("lift", "drag", "moment", "attached", "gain", "unstalled")
    return dict(zip(names, table.values[0], strict=True))


@pytest.mark.parametrize("alpha_deg", [20.0, 45.0, 80.0, -15.0, -45.0, -80.0])
def test_table_goes_on_as_viterna_and_corrigan_say(
    alpha_deg: float, polar_columns: dict[str, np.ndarray]
) -> None:
    """Published: Viterna & Corrigan, NASA CP-2230 (1982). Exact on the nodes of the grid."""
    side, end = np.sign(alpha_deg), -1 if alpha_deg > 0.0 else 0
    edge = abs(np.radians(ALPHA_DEG[end]))
    lift, drag = beyond_the_table(abs(np.radians(alpha_deg)), edge, side * LIFT[end], DRAG[end])
    here, mirrored = (int(4.0 * (180.0 + a)) for a in (alpha_deg, side * 180.0 - alpha_deg))
    assert polar_columns["lift"][here] == pytest.approx(side * lift, rel=1e-12)
    assert polar_columns["drag"][here] == pytest.approx(drag, rel=1e-12)
    # Reversed flow: the mirror image with 0.7 of the lift (common practice, no source).
    assert polar_columns["lift"][mirrored] == pytest.approx(-0.7 * side * lift, rel=1e-12)
    assert polar_columns["drag"][mirrored] == pytest.approx(drag, rel=1e-12)
    sine, cosine = np.sin(np.radians(alpha_deg)), np.cos(np.radians(alpha_deg))
    point = 0.5 - 0.75 * cosine / (4.0 + np.pi * abs(sine))
    normal = side * lift * cosine + drag * sine
    assert polar_columns["moment"][here] == pytest.approx(-normal * (point - 0.25), rel=1e-12)


def test_table_keeps_the_polar_and_has_no_lift_half_a_turn_away(
    polar_columns: dict[str, np.ndarray],
) -> None:
    nodes = (4.0 * (180.0 + ALPHA_DEG)).astype(int)
    np.testing.assert_allclose(polar_columns["lift"][nodes], LIFT, rtol=1e-12)
    np.testing.assert_allclose(polar_columns["drag"][nodes], DRAG, rtol=1e-12)
    np.testing.assert_allclose(polar_columns["moment"][nodes], MOMENT, rtol=1e-12)
    np.testing.assert_allclose(polar_columns["lift"][[0, -1]], 0.0, atol=1e-12)


def test_attached_length_of_a_table_gives_its_lift_back(
    polar_columns: dict[str, np.ndarray],
) -> None:
    """Where flow is partly attached: lift = separated plate + weight times the gain."""
    alpha = np.radians(np.linspace(-180.0, 180.0, 1441))
    sine = np.sin(alpha)
    separated = DRAG_NORMAL * sine * np.cos(alpha) / (0.56 + 0.44 * np.abs(sine))
    attached = polar_columns["attached"]
    partly = (attached > 1e-6) & (attached < 1.0 - 1e-6)
    assert np.count_nonzero(partly) > 40
    rebuilt = separated + attached_weight(attached) * polar_columns["gain"]
    np.testing.assert_allclose(rebuilt[partly], polar_columns["lift"][partly], atol=1e-10)
