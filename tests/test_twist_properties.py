"""What must hold of every twist that gives way: symmetry, scaling, independence, energy, limits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flapsim import Cycle, simulate
from flapsim.case import Case, Port, read_case
from flapsim.case.columns import Designs
from flapsim.half_wing.twist.compliance import STOP_STIFFENING
from flapsim.half_wing.twist.half_wing import HalfWing, half_wing
from flapsim.half_wing.twist.report import TwistMoments, segment_twists
from flapsim.half_wing.twist.stability import stability
from flapsim.kernel import solve

GLASSHOUSE = read_case(Path(__file__).parent.parent / "cases" / "glasshouse.toml")
SMALL = GLASSHOUSE.replace(
    {"wing.inner.strips": 4, "wing.outer.strips": 6, "model.modes": 4, "model.steps": 64}
)
OUTER = "stroke.outer.twist"
COMMAND = {"tip_mean_deg": -3.6, "tip_amplitude_deg": 34.0, "tip_lag_deg": -57.0}
OUTER_MOMENTS = ("air", "mass", "held", "damper", "stop")

springs = st.floats(0.06, 1.0)
rests = st.floats(-3.0, 10.0)


def passive(stiffness: float = 0.12, rest_deg: float = 4.0, **more: object) -> dict[str, object]:
    return {"mode": "passive", "stiffness_n_m_rad": stiffness, "rest_deg": rest_deg} | more


def servo(bandwidth_hz: float = 15.0, **more: object) -> dict[str, object]:
    return {"mode": "servo", "bandwidth_hz": bandwidth_hz} | COMMAND | more


def twisting(twist: dict[str, object], case: Case = SMALL) -> Case:
    return case.replace({OUTER: twist})


def outer_moments(case: Case) -> tuple[HalfWing, TwistMoments]:
    half = half_wing(case)
    assert half.found.all()
    series = solve(half.design.batch, series=True).series
    return half, segment_twists(case, half, series)[1].moments


def means_of(cycle: Cycle, *names: str) -> list[float]:
    return [float(np.mean(cycle.series[name])) for name in names]


# --- symmetry, scaling, independence --------------------------------------------------------------


@pytest.mark.parametrize("twist", [passive(damping_n_m_s_rad=1e-3), servo(stiffness_n_m_rad=2.0)])
def test_a_port_half_that_does_the_same_is_the_mirror_image(twist: dict[str, object]) -> None:
    case = twisting(twist)
    stroke = case.stroke
    both = case.replace({"stroke.port": Port(inner=stroke.inner, outer=stroke.outer)})
    mirrored, written = simulate(case), simulate(both)
    for name in ("lift_n", "thrust_n", "aero_power_w", "twist_power_w", "rolling_moment_n_m"):
        np.testing.assert_array_equal(mirrored.series[name], written.series[name], err_msg=name)
    assert mirrored.twist["outer"] == pytest.approx(written.twist["outer"], nan_ok=True)


@settings(max_examples=8)
@given(stiffness=springs, rest=rests, heavier=st.floats(0.3, 3.0))
def test_air_mass_spring_and_damper_in_proportion_give_the_same_twist(
    stiffness: float, rest: float, heavier: float
) -> None:
    skin = {"wing.inner.skin_kg_m2": 0.15, "wing.outer.skin_kg_m2": 0.1}
    spring = passive(stiffness, rest, damping_n_m_s_rad=1e-3)
    one = outer_moments(SMALL.replace({OUTER: spring, **skin}))
    spring = passive(stiffness * heavier, rest, damping_n_m_s_rad=1e-3 * heavier)
    denser = {"air.density_kg_m3": SMALL.air.density * heavier}
    skin = {key: value * heavier for key, value in skin.items()}
    other = outer_moments(SMALL.replace({OUTER: spring, **skin, **denser}))
    np.testing.assert_allclose(one[0].twist, other[0].twist, rtol=0.0, atol=1e-8)
    np.testing.assert_allclose(heavier * one[1].held, other[1].held, rtol=1e-5, atol=1e-8)


@pytest.mark.parametrize(
    "twist", [passive(), passive(0.12, 1.0, stops_deg=(-8.0, 8.0)), servo(torque_limit_n_m=0.01)]
)
def test_a_design_is_found_to_the_same_bits_whatever_its_neighbours(
    twist: dict[str, object],
) -> None:
    case = twisting(twist)
    airspeeds = np.array([4.0, 5.5, 4.7, 6.0, 5.0])

    def twists(lanes: list[int]) -> np.ndarray:
        many = Designs(case, {"flight.airspeed_m_s": airspeeds[lanes]})
        return half_wing(many).twist

    every = twists([0, 1, 2, 3, 4])
    for lanes in ([1, 0], [4, 3, 2], [3, 3]):
        np.testing.assert_array_equal(twists(lanes), every[:, :, lanes])


def test_the_slower_of_two_designs_costs_no_more_for_its_neighbour() -> None:
    # The equations of the one that is left must be its own, not those of the one that is done.
    key = f"{OUTER}.stiffness_n_m_rad"
    case = twisting(passive(0.12, 2.0))
    for pair in ((0.05, 30.0), (30.0, 0.05)):
        together = half_wing(Designs(case, {key: np.array(pair)})).balance
        assert together is not None
        for lane, stiffness in enumerate(pair):
            alone = half_wing(case.replace({key: stiffness})).balance
            assert alone is not None
            assert together.runs[lane] == alone.runs[0]


@settings(max_examples=6)
@given(stiffness=springs, rest=rests)
def test_multipliers_do_not_depend_on_the_number_of_steps(stiffness: float, rest: float) -> None:
    attached = {"wing.section.law": "thin-airfoil", "wing.outer.skin_kg_m2": 2.0}
    largest = []
    for steps in (64, 128):
        case = SMALL.replace({OUTER: passive(stiffness, rest), "model.steps": steps, **attached})
        half = half_wing(case)
        if not half.found.all():
            return
        largest.append(stability(case, half).largest)
    assert largest[0] == pytest.approx(largest[1], rel=1e-3)


# --- energy ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("damping", [0.0, 2e-3])
def test_a_spring_keeps_no_energy_and_a_damper_takes_all_that_is_lost(damping: float) -> None:
    cycle = simulate(twisting(passive(damping_n_m_s_rad=damping)))
    loss = cycle.twist["outer"]["damper_loss_w"]
    # Exact but for rounding: the mean over even steps of a product of a few harmonics.
    assert cycle.mean["twist_power_w"] == pytest.approx(-loss, abs=1e-12)
    assert (loss > 1e-3) == (damping > 0.0)


@pytest.mark.parametrize(
    "twist",
    [passive(damping_n_m_s_rad=1e-3), servo(), servo(stiffness_n_m_rad=3.0, backlash_deg=2.0)],
)
def test_crank_and_twist_together_give_what_the_air_takes(twist: dict[str, object]) -> None:
    # With all returned work recovered the crank takes what the air does, less the twist's part.
    cycle = simulate(twisting(twist).replace({"drive.regeneration": 1.0}))
    parts = ("shaft_power_w", "twist_power_w")
    given_power = sum(cycle.mean[name] for name in parts)
    assert given_power == pytest.approx(cycle.mean["aero_power_w"], rel=1e-9)
    assert cycle.check["energy_balance"] < 1e-12
    assert cycle.check["motion_power_balance"] < 1e-12


def test_hinge_and_loads_do_opposite_work_on_the_twist() -> None:
    half, moments = outer_moments(twisting(passive(damping_n_m_s_rad=1e-3)))
    tau = 2.0 * np.pi * np.arange(SMALL.model.steps) / SMALL.model.steps
    cosine, sine = half.twist[1][1:25, 0], half.twist[1][25:, 0]
    order = np.arange(1, 25)
    rate = np.cos(np.outer(tau, order)) @ (order * sine)
    rate -= np.sin(np.outer(tau, order)) @ (order * cosine)
    by_hinge = (moments.hinge[:, 0] * rate).mean()
    by_load = ((moments.air + moments.mass)[:, 0] * rate).mean()
    # Galerkin: the moment left over does no work on the harmonics that are kept.
    assert by_hinge == pytest.approx(-by_load, abs=1e-9 * np.abs(moments.air[:, 0] * rate).max())


# --- limits ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("more", [{}, {"stiffness_n_m_rad": 1e6}])
def test_a_fast_servo_without_limits_is_a_drive(more: dict[str, object]) -> None:
    # What a spring of 1e6 N m/rad gives under 0.03 N m, and the lag of 1e9 Hz, are below 1e-7.
    driven = simulate(twisting({"mode": "driven"} | COMMAND))
    fast = simulate(twisting(servo(1e9, **more)))
    for name in ("lift_n", "thrust_n", "aero_power_w", "outer_twist_tip_deg"):
        size = np.abs(driven.series[name]).max()
        np.testing.assert_allclose(fast.series[name], driven.series[name], atol=1e-6 * size)


def test_a_stiffer_wing_comes_nearer_to_the_driven_one_in_proportion() -> None:
    driven = simulate(twisting({"mode": "driven"} | COMMAND))
    apart = []
    for stiffness in (500.0, 1000.0, 2000.0):
        stiff = simulate(twisting(servo(1e9, stiffness_n_m_rad=stiffness)))
        names = ("lift_n", "thrust_n", "aero_power_w", "outer_twist_tip_deg")
        apart.append([np.abs(stiff.series[n] - driven.series[n]).max() for n in names])
    # Second order in 1/k is a thousandth here: the moment is 0.03 N m.
    np.testing.assert_allclose(np.divide(apart[0], apart[1]), 2.0, rtol=0.01)
    np.testing.assert_allclose(np.divide(apart[1], apart[2]), 2.0, rtol=0.01)


@pytest.mark.parametrize("ratio", [0.5, 0.95, 1.0, 1.05, 2.0, 5.0])
def test_without_air_a_twist_resonates_as_an_oscillator_does(ratio: float) -> None:
    # Root twist r cos(tau) about an axis at rest through the middle of the skin: the tip's twist q
    # obeys I2 q'' + c q' + k q = -I1 r'', I2 = int eta^2 J, I1 = int eta J (exact, J per span).
    # k is such that the stroke's frequency is `ratio` times that of the spring; damping ratio 2 %.
    skin, root = 0.5, np.radians(1.0)
    still = {
        "air.density_kg_m3": 1e-12,
        "craft.mass_kg": 0.0,
        "flight.pitch_deg": 0.0,
        "stroke.inner.plunge": {"amplitude_deg": 0.0},
        "stroke.outer.plunge": {"amplitude_deg": 0.0},
        "stroke.inner.twist": {"tip_amplitude_deg": 1.0},
        "wing.twist_axis": 0.5,
        "wing.outer.skin_kg_m2": skin,
    }
    wing = half_wing(SMALL.replace(still)).design.strips
    outer = wing.segment == 1
    inertia = skin * wing.chord**3 / 12.0 * wing.width
    first, second = (float((inertia * wing.fraction**p)[outer].sum()) for p in (1, 2))
    omega = 2.0 * np.pi * SMALL.stroke.frequency_hz
    spring = omega / ratio
    damping = 2.0 * 0.02 * spring * second
    case = SMALL.replace(still).replace(
        {OUTER: passive(second * spring**2, 0.0, damping_n_m_s_rad=damping)}
    )
    half = half_wing(case)
    assert half.found.all()
    twist = half.twist[1][1, 0] - 1j * half.twist[1][25, 0]
    expected = first * omega**2 * root
    expected = expected / (second * (spring**2 - omega**2) + 1j * omega * damping)
    assert twist == pytest.approx(expected, rel=1e-6)


def test_a_finer_phase_sensor_comes_nearer_to_none_in_proportion() -> None:
    exact = half_wing(twisting(servo(1e9))).twist
    apart = [
        np.abs(half_wing(twisting(servo(1e9, sensor_counts=counts))).twist - exact).max()
        for counts in (32, 128, 512)
    ]
    assert apart[0] / apart[1] == pytest.approx(4.0, rel=0.05)
    assert apart[1] / apart[2] == pytest.approx(4.0, rel=0.05)


STILL = {
    "stroke.inner.plunge.amplitude_deg": 0.0,
    "stroke.outer.plunge.amplitude_deg": 0.0,
    "stroke.inner.twist.tip_amplitude_deg": 0.0,
    "wing.outer.skin_kg_m2": 1.0,
}


def held_still(twist: dict[str, object]) -> tuple[float, float, float]:
    """Twist, load and moment of the hinge of the wing that does not flap, rad and N m."""
    half, moments = outer_moments(SMALL.replace({**STILL, OUTER: twist}))
    load = float(moments.air[0, 0] + moments.mass[0, 0])
    return float(half.twist[1][0, 0]), load, float(moments.hinge[0, 0])


def test_free_play_is_taken_up_before_the_actuator_holds() -> None:
    twist = {"mode": "servo", "bandwidth_hz": 15.0, "stiffness_n_m_rad": 2.0, "backlash_deg": 6.0}
    angle, load, hinge = held_still(twist)
    assert hinge == pytest.approx(-load, rel=1e-7)
    assert angle == pytest.approx(np.radians(3.0) * np.sign(load) + load / 2.0, rel=1e-7)


def test_a_stop_takes_what_the_spring_does_not() -> None:
    angle, load, _ = held_still(passive(0.05, 0.0, stops_deg=(-1.0, 1.0)))
    beyond = abs(angle) - np.radians(1.0)
    assert beyond > 0.0
    assert abs(load) == pytest.approx(0.05 * abs(angle) + STOP_STIFFENING * 0.05 * beyond, rel=1e-7)


def test_an_actuator_holds_no_more_than_its_limit() -> None:
    limit = 0.02
    cycle = simulate(twisting(servo(torque_limit_n_m=limit)))
    held = np.abs(cycle.series["outer_twist_held_n_m"])
    assert held.max() == pytest.approx(limit, rel=1e-12)
    at_limit = np.mean(held >= limit * (1.0 - 1e-9))
    assert cycle.twist["outer"]["saturation"] == pytest.approx(at_limit)
    assert 0.1 < at_limit < 1.0


def test_a_twist_keeps_near_its_stops() -> None:
    free = simulate(twisting(passive(0.12, 1.0))).series["outer_twist_deg"]
    stopped = simulate(twisting(passive(0.12, 1.0, stops_deg=(-8.0, 8.0))))
    assert np.abs(free).max() > 14.0
    assert np.abs(stopped.series["outer_twist_deg"]).max() < 11.0
    touching = np.mean(stopped.series["outer_twist_stop_n_m"] != 0.0)
    assert stopped.twist["outer"]["stop_contact"] == pytest.approx(touching)
    assert touching > 0.2
