"""Actuators against their closed forms, and the balance of a compliant wing against oscillators."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from flapsim.case import Case, read_case
from flapsim.cycle.simulate import simulate
from flapsim.faults import NoAnswer
from flapsim.half_wing.pack import pack
from flapsim.half_wing.twist.actuator import actuator_position
from flapsim.half_wing.twist.balance import balance
from flapsim.half_wing.twist.compliance import compliances
from flapsim.half_wing.twist.equations import KEPT
from flapsim.kernel import layout as at
from flapsim.kernel import solve
from flapsim.wing.schedule import HARMONICS, evaluate, harmonic

GLASSHOUSE = read_case(Path(__file__).parent.parent / "cases" / "glasshouse.toml")
FREQUENCY = 2.8


def first_harmonic(coefficients: np.ndarray) -> complex:
    """Amplitude and lag of the fundamental as one complex number."""
    return complex(coefficients[1, 0] - 1j * coefficients[HARMONICS + 1, 0])


def follow(**limits: object) -> np.ndarray:
    """Return what an actuator makes of a cosine of half a radian."""
    settings = {
        "frequency": FREQUENCY,
        "bandwidth": 9.0,
        "order": 2,
        "rate_limit": None,
        "counts": None,
        "delay": 0.0,
    } | limits
    command = harmonic(0.1, 0.5, 0.0).coefficients[:, None]
    return actuator_position(command, **settings)  # type: ignore[arg-type]


@pytest.mark.parametrize("order", [1, 2])
def test_an_actuator_has_fallen_by_3_db_at_its_bandwidth(order: int) -> None:
    # |1/(1 + i)| and the second-order Butterworth response both are 1/sqrt 2: exact.
    position = follow(order=order, bandwidth=FREQUENCY)
    assert abs(first_harmonic(position)) == pytest.approx(0.5 / np.sqrt(2.0), rel=1e-12)
    assert position[0, 0] == pytest.approx(0.1, rel=1e-12)


def test_a_delay_only_turns_the_phase() -> None:
    position = first_harmonic(follow(bandwidth=1e6, delay=0.02))
    assert abs(position) == pytest.approx(0.5, rel=1e-9)
    assert np.angle(position) == pytest.approx(-2.0 * np.pi * FREQUENCY * 0.02, abs=1e-5)


def test_a_limit_that_is_never_reached_changes_nothing() -> None:
    # Marching holds the command over 1/4096 of a stroke: half that step of phase, squared, is left.
    np.testing.assert_allclose(follow(rate_limit=1e3), follow(), atol=2e-6)


def test_a_rate_limited_actuator_draws_triangles() -> None:
    # Far too slow, it runs at its limit all the time: a triangle of rate times half a period peak
    # to peak, whose fundamental is 8/pi^2 of half of that (Fourier series of the triangle, exact).
    limit = 1.0
    position = follow(rate_limit=limit, bandwidth=200.0)
    half_range = limit / FREQUENCY / 4.0
    assert abs(first_harmonic(position)) == pytest.approx(8.0 / np.pi**2 * half_range, rel=2e-3)


def test_coarse_counts_lose_what_a_held_sample_loses() -> None:
    # Sample and hold: sinc of half a count, and half a count late (exact).
    counts = 16
    position = first_harmonic(follow(counts=counts, bandwidth=1e6))
    half = np.pi / counts
    assert abs(position) == pytest.approx(0.5 * np.sin(half) / half, rel=1e-4)
    assert np.angle(position) == pytest.approx(-half, abs=1e-4)


def soft(stiffness: float, damping: float = 0.0, **changes: object) -> Case:
    """Return the surveyor with its outer twist left to a spring."""
    twist = {
        "mode": "passive",
        "rest_deg": 2.0,
        "stiffness_n_m_rad": stiffness,
        "damping_n_m_s_rad": damping,
    }
    return GLASSHOUSE.replace({"stroke.outer.twist": twist} | changes)


def solved(case: Case) -> tuple[np.ndarray, bool, int]:
    """Return the balanced twist of the outer segment, whether it was found, at what cost."""
    batch, parts = compliances(case, pack(case).batch)
    answer = balance(case, batch, parts)
    return answer.twist[0, :, 0], bool(answer.converged[0]), int(answer.runs[0])


def test_without_air_the_twist_is_a_damped_oscillator_driven_through_its_root() -> None:
    # Root twist r cos(tau) about an axis at rest: the tip's twist q obeys
    # I2 q'' + c q' + k q = -I1 r'', I2 = int eta^2 J, I1 = int eta J (exact, J per span).
    thin = {"air.density_kg_m3": 1e-12, "craft.mass_kg": 0.0, "flight.pitch_deg": 0.0}
    still = {
        "stroke.inner.plunge": {"amplitude_deg": 0.0},
        "stroke.outer.plunge": {"amplitude_deg": 0.0},
        "stroke.inner.twist": {"tip_amplitude_deg": 5.0},
        "wing.twist_axis": 0.5,
        "wing.outer.skin_kg_m2": 0.5,
    }
    case = soft(0.5, 0.004, **thin, **still).replace({"stroke.outer.twist.rest_deg": 0.0})
    twist, found, _ = solved(case)
    wing = pack(case).strips
    outer = wing.segment == 1
    inertia = wing.skin * wing.chord**3 / 12.0 * wing.width
    first = float((inertia * wing.fraction)[outer].sum())
    second = float((inertia * wing.fraction**2)[outer].sum())
    omega = 2.0 * np.pi * FREQUENCY
    expected = first * omega**2 * np.radians(5.0)
    expected = expected / (0.5 - second * omega**2 + 0.004j * omega)
    assert found
    assert twist[1] - 1j * twist[KEPT + 1] == pytest.approx(expected, rel=1e-6)


def test_a_stiffer_spring_comes_nearer_to_its_preset_in_proportion() -> None:
    apart = []
    for stiffness in (50.0, 100.0):
        twist, found, _ = solved(soft(stiffness))
        assert found
        apart.append(np.hypot(twist[1], twist[KEPT + 1]))
    assert apart[0] / apart[1] == pytest.approx(2.0, rel=0.02)


def test_a_held_wing_deflects_by_moment_over_stiffness() -> None:
    still = {
        "stroke.inner.plunge": {"amplitude_deg": 0.0},
        "stroke.outer.plunge": {"amplitude_deg": 0.0},
        "stroke.inner.twist": {"tip_amplitude_deg": 0.0},
    }
    case = soft(0.3, **still)
    batch, parts = compliances(case, pack(case).batch)
    answer = balance(case, batch, parts)
    series = solve(answer.batch, series=True).series[0, :, 0]
    moment = series[at.SERIES_TORQUE + at.TWIST_OUTER_TIP]
    moment += series[at.SERIES_MASS_TORQUE + 3]
    assert answer.twist[0, 0, 0] - np.radians(2.0) == pytest.approx(moment / 0.3, rel=1e-8)
    assert abs(moment) > 1e-3


@pytest.mark.parametrize("stiffness", [0.06, 0.12])
def test_the_balance_holds_at_every_instant_for_few_runs_of_the_kernel(stiffness: float) -> None:
    case = soft(stiffness, 0.001)
    batch, parts = compliances(case, pack(case).batch)
    answer = balance(case, batch, parts)
    assert answer.converged.all()
    assert int(answer.runs[0]) <= 20
    series = solve(answer.batch, series=True).series[:, :, 0]
    tau = 2.0 * np.pi * np.arange(len(series)) / len(series)
    spread = [
        evaluate(answer.batch.schedule[row, :, 0], tau)
        for row in (at.TWIST_OUTER_TIP, at.TWIST_OUTER_ROOT)
    ]
    twist, rate = spread[0][0] - spread[1][0], spread[0][1] - spread[1][1]
    spring = stiffness * (np.radians(2.0) - twist)
    damper = 0.001 * rate * 2.0 * np.pi * FREQUENCY
    load = series[:, at.SERIES_TORQUE + at.TWIST_OUTER_TIP]
    load = load + series[:, at.SERIES_MASS_TORQUE + 3]
    # What the harmonics beyond those kept would balance.
    assert np.abs(load + spring - damper).max() < 2e-3 * np.abs(load).max()


def test_designs_of_one_batch_are_balanced_each_on_its_own() -> None:
    from flapsim.case.columns import Designs

    values = np.array([0.08, 0.2, 1.0])
    case = soft(0.2)
    many = Designs(case, {"stroke.outer.twist.stiffness_n_m_rad": values})
    batch, parts = compliances(many, pack(many).batch)
    together = balance(many, batch, parts)
    for lane, stiffness in enumerate(values):
        alone, _, _ = solved(soft(float(stiffness)))
        np.testing.assert_allclose(together.twist[0, :, lane], alone, rtol=0.0, atol=1e-9)


def test_a_coarse_sensor_makes_the_tip_late_by_half_a_count() -> None:
    # Sample and hold is late by half a count (exact), whatever the root does meanwhile.
    servo = {
        "mode": "servo",
        "tip_mean_deg": -3.6,
        "tip_amplitude_deg": 34.0,
        "tip_lag_deg": -57.0,
        "bandwidth_hz": 1e6,
        "sensor_counts": 16,
    }
    found = simulate(GLASSHOUSE.replace({"stroke.outer.twist": servo}))
    assert found.twist["outer"]["phase_lag_deg"] == pytest.approx(180.0 / 16, abs=1e-3)


def test_flight_beyond_the_divergence_speed_is_not_passed_over() -> None:
    aft = {"wing.twist_axis": 0.4}
    slow = simulate(soft(0.12, **aft))
    assert not any("diverges" in note for note in slow.notes)
    limit = slow.twist["outer"]["divergence_speed_m_s"]
    fast = soft(0.12, **aft, **{"flight.airspeed_m_s": 1.02 * limit, "flight.pitch_deg": 0.0})
    try:
        notes = simulate(fast).notes
    except NoAnswer as error:
        notes = (str(error),)
    assert any("diverge" in note for note in notes)
