"""The drive train: closed forms, balances and limits.

Labels: exact = follows from the stated equations on paper; pinned = this program's own number.
"""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import flapsim
from flapsim.case.craft import BalanceSpring, Battery, Drive, Motor
from flapsim.drive.crank import NoSteadyCrank, crank_speed_ripple
from flapsim.drive.limits import LIMITS, drive_notes, drive_refusal
from flapsim.drive.spring import optimal_spring
from flapsim.drive.train import REPORTED, drive_means, drive_train
from flapsim.quantities import QUANTITIES

CASES = Path(__file__).parent.parent / "cases"
GLASSHOUSE = flapsim.read_case(CASES / "glasshouse.toml")

STEPS = 128
TAU = 2.0 * np.pi * np.arange(STEPS) / STEPS
REST = np.zeros(STEPS)

FREQUENCY = 2.0
BENCH = Drive(
    gear_ratio=75.0,
    gear_efficiency=0.78,
    motor=Motor(0.35, 0.0096, 0.35, 4e-7),
    battery=Battery(11.1, 0.0, 0.5),
)

# Sums of 128 products of numbers of order one: a few hundred roundings at most.
ROUNDING = 1e-12


def train(drive: Drive, shaft: np.ndarray) -> dict[str, np.ndarray]:
    return drive_train(drive, FREQUENCY, shaft, REST, REST, REST).mean


def wing(drive: Drive, plunge_amplitude: float = 0.4):
    """Power, plunge and rate of a wing with a mean lift moment and a wing's inertia."""
    omega = 2.0 * np.pi * FREQUENCY
    plunge = plunge_amplitude * np.cos(TAU)
    rate = -omega * plunge_amplitude * np.sin(TAU)
    power = 2.0 + 1.8 * np.cos(2.0 * TAU - 0.3) - 0.4 * rate + 0.15 * plunge * rate
    return power, plunge, rate


def energy_gap(mean: dict[str, np.ndarray], wing_power: float) -> float:
    """What the battery gives less all that takes it, part of the whole."""
    taken = (
        mean["battery_loss_w"] + mean["auxiliary_power_w"] + mean["copper_loss_w"]
        + mean["no_load_loss_w"] + mean["gear_loss_w"] + mean["spring_power_w"] + wing_power
    )  # fmt: skip
    return float(abs(mean["battery_power_w"] - taken) / mean["battery_power_w"])


# --- closed forms ------------------------------------------------------------------------------


def test_steady_six_watts_at_the_shaft_take_11_363_watts():
    # Exact: I = 6 W/(0.78 kt w) + I0 and P = kt w I + R I^2 with w = 75 x 2 turns a second.
    speed = 2.0 * math.pi * FREQUENCY * 75.0
    current = 6.0 / 0.78 / (0.0096 * speed) + 0.35
    by_hand = 0.0096 * speed * current + 0.35 * current**2
    assert by_hand == pytest.approx(11.363, abs=5e-4)
    assert train(BENCH, 6.0 + REST)["electrical_power_w"] == pytest.approx(by_hand, rel=ROUNDING)


def clipped_cosine_power(mean: float, amplitude: float) -> float:
    """Exact: motor power for shaft power mean + amplitude cos, nothing regenerated."""
    edge = math.acos(-mean / amplitude)  # the shaft takes power for |tau| < edge
    first = (mean * edge + amplitude * math.sin(edge)) / math.pi
    second = (
        (mean**2 + 0.5 * amplitude**2) * edge
        + 2.0 * mean * amplitude * math.sin(edge)
        + 0.25 * amplitude**2 * math.sin(2.0 * edge)
    ) / math.pi
    rest_voltage = 0.0096 * 2.0 * math.pi * FREQUENCY * 75.0
    scale = 1.0 / (0.78 * rest_voltage)
    mean_square = scale**2 * second + 2.0 * scale * first * 0.35 + 0.35**2
    return rest_voltage * (scale * first + 0.35) + 0.35 * mean_square


def test_alternating_shaft_power_with_nothing_regenerated_takes_8_1998_watts():
    # Exact by integration where the shaft takes power; 8.11 W would be the mean current squared.
    by_hand = clipped_cosine_power(3.0, 6.0)
    assert by_hand == pytest.approx(8.1998, abs=5e-5)
    shaft = 3.0 + 6.0 * np.cos(TAU)
    # 128 steps with the kinks between them reckoned in: third order, a part in a million.
    found = float(train(BENCH, shaft)["electrical_power_w"])
    assert found == pytest.approx(by_hand, rel=2e-6)
    squared_mean = float(
        train(BENCH, shaft)["motor_power_w"]
        - 0.35 * (train(BENCH, shaft)["motor_current_rms_a"] ** 2)
        + 0.35 * train(BENCH, shaft)["motor_current_a"] ** 2
    )
    # Two decimals given, and 128 steps.
    assert squared_mean == pytest.approx(8.11, abs=6e-3)


def test_steps_refine_the_mean_by_the_cube_of_the_step():
    exact = clipped_cosine_power(3.0, 6.0)
    gaps = []
    for steps in (32, 128):
        tau = 2.0 * np.pi * np.arange(steps) / steps
        rest = np.zeros(steps)
        found = drive_train(BENCH, FREQUENCY, 3.0 + 6.0 * np.cos(tau), rest, rest, rest).mean
        gaps.append(abs(float(found["electrical_power_w"]) - exact))
    # Third order is 64 times; the place of the kink within its step moves the constant.
    assert gaps[1] < gaps[0] / 32.0


def test_a_battery_sags_to_the_larger_root():
    # Exact: 7.4 V and 0.5 ohm at 20 W: I = (7.4 - sqrt(54.76 - 40))/(2 x 0.5).
    drive = dataclasses.replace(
        BENCH, battery=Battery(7.4, 0.5, 0.5), motor=Motor(0.0, 0.0096, 0.0, 0.0)
    )
    mean = train(drive, 20.0 * 0.78 + REST)
    current = 7.4 - math.sqrt(7.4**2 - 4.0 * 0.5 * 20.0)
    assert mean["battery_current_a"] == pytest.approx(current, rel=ROUNDING)
    assert mean["battery_voltage_v"] == pytest.approx(7.4 - 0.5 * current, rel=ROUNDING)
    assert mean["battery_power_w"] == pytest.approx(7.4 * current, rel=ROUNDING)


def asked(drive: Drive, shaft: float) -> dict[str, np.ndarray]:
    """Means and limits for a steady shaft power."""
    found = drive_train(drive, FREQUENCY, shaft + REST, REST, REST, REST)
    return found.mean | found.used


def test_a_battery_above_its_largest_power_has_no_state_and_names_the_limit():
    drive = dataclasses.replace(
        BENCH, battery=Battery(7.4, 0.5, 0.5), motor=Motor(0.0, 0.0096, 0.0, 0.0)
    )
    # Exact: at most 7.4^2/(4 x 0.5) = 27.38 W.
    for shaft, answer in ((27.3 * 0.78, True), (27.5 * 0.78, False)):
        mean = asked(drive, shaft)
        names = ("electrical_power_w", "battery_power_w", "battery_loss_w", "drive_efficiency")
        assert all(bool(np.isfinite(mean[name])) == answer for name in names)
        assert mean["battery_power_used"] == pytest.approx(shaft / 0.78 / 27.38, rel=ROUNDING)
        assert ("at most 27.4 W" in drive_refusal(drive, mean)) != answer


def test_a_motor_that_needs_more_than_the_battery_voltage_is_refused():
    slow = dataclasses.replace(BENCH, battery=Battery(8.0, 0.02, 0.5))
    mean = asked(slow, 6.0)
    # Exact: V = kt w + R I for 6 W, and the sagged battery of the same power.
    speed = 2.0 * math.pi * FREQUENCY * 75.0
    current = 6.0 / 0.78 / (0.0096 * speed) + 0.35
    needed = 0.0096 * speed + 0.35 * current
    sagged = 4.0 + math.sqrt(16.0 - 0.02 * needed * current)
    assert mean["voltage_used"] == pytest.approx(needed / sagged, rel=ROUNDING)
    words = drive_refusal(slow, mean)
    for part in ("cannot deliver", f"{needed:.3g} V", f"{sagged:.3g} V under load", "gear ratio"):
        assert part in words
    assert drive_notes(slow, mean) == (words,)
    assert drive_refusal(BENCH, asked(BENCH, 6.0)) == ""
    assert drive_notes(BENCH, asked(BENCH, 6.0)) == ()


def test_currents_are_compared_with_the_limits_that_the_motor_states_and_no_others():
    drawn = asked(BENCH, 6.0)
    assert np.isnan(drawn["peak_current_used"])
    assert np.isnan(drawn["continuous_current_used"])
    current = float(drawn["motor_current_a"])
    for continuous, peak, words in (
        (1.01 * current, 1.01 * current, ()),
        (0.99 * current, 1.01 * current, ("root mean square",)),
        (0.99 * current, 0.99 * current, ("root mean square", "up to")),
    ):
        motor = dataclasses.replace(
            BENCH.motor, continuous_current_a=continuous, peak_current_a=peak
        )
        limited = dataclasses.replace(BENCH, motor=motor)
        # Exact: a steady current is its own peak and its own root mean square.
        found = asked(limited, 6.0)
        assert found["peak_current_used"] == pytest.approx(current / peak, rel=ROUNDING)
        refusal = drive_refusal(limited, found)
        assert bool(refusal) == bool(words)
        for part in words:
            assert part in refusal


def test_a_higher_gear_ratio_takes_less_current_and_more_voltage():
    ratios = np.array([40.0, 60.0, 80.0])
    motor = dataclasses.replace(BENCH.motor, peak_current_a=3.0, continuous_current_a=2.0)
    train = drive_train(
        dataclasses.replace(BENCH, gear_ratio=ratios, motor=motor),
        FREQUENCY, *(np.repeat(x[:, None], 3, axis=1) for x in (6.0 + REST, REST, REST, REST)),
    )  # fmt: skip
    assert set(train.used) == set(LIMITS)
    assert np.all(np.diff(train.used["voltage_used"]) > 0.0)
    assert np.all(np.diff(train.used["peak_current_used"]) < 0.0)


# --- gear, returned work and spring ------------------------------------------------------------


def test_returned_work_passes_the_gear_with_its_efficiency_and_counts_by_its_part():
    drive = dataclasses.replace(BENCH, regeneration=0.5)
    mean = train(drive, 1.0 + 4.0 * np.cos(TAU))
    # Exact: the positive part of a + b cos has the mean (a e + b sin e)/pi, cos e = -a/b.
    edge = math.acos(-0.25)
    given = (edge + 4.0 * math.sin(edge)) / math.pi
    returned = given - 1.0
    # 128 steps, third order.
    assert mean["shaft_power_w"] == pytest.approx(given - 0.5 * returned, rel=1e-5)
    assert mean["motor_output_w"] == pytest.approx(given / 0.78 - 0.5 * 0.78 * returned, rel=1e-5)
    assert mean["unrecovered_power_w"] == pytest.approx(0.5 * returned, rel=1e-5)


def test_more_regeneration_never_takes_more():
    shaft = 3.0 + 6.0 * np.cos(TAU)
    power = [
        float(train(dataclasses.replace(BENCH, regeneration=r), shaft)["electrical_power_w"])
        for r in (0.0, 0.25, 0.5, 0.75, 1.0)
    ]
    assert np.all(np.diff(power) < 0.0)


def test_a_spring_that_balances_the_mean_moment_leaves_a_steady_shaft():
    # Exact: 0.4 N m of mean lift moment, up, carried by a spring that pulls down with as much.
    drive = dataclasses.replace(BENCH, balance_spring=BalanceSpring(0.4, 0.0))
    _, plunge, rate = wing(drive)
    found = drive_train(drive, FREQUENCY, 2.0 - 0.4 * rate, REST, plunge, rate)
    assert np.ptp(found.series["shaft_power_w"]) < ROUNDING
    assert abs(found.mean["spring_power_w"]) < ROUNDING


@given(
    moment=st.floats(-2.0, 2.0),
    stiffness=st.floats(0.0, 3.0),
    regeneration=st.floats(0.0, 1.0),
    efficiency=st.floats(0.3, 1.0),
    auxiliary=st.floats(0.0, 3.0),
)
def test_watts_along_the_chain_add_up(moment, stiffness, regeneration, efficiency, auxiliary):
    drive = dataclasses.replace(
        BENCH,
        gear_efficiency=efficiency,
        regeneration=regeneration,
        auxiliary_w=auxiliary,
        balance_spring=BalanceSpring(moment, stiffness),
        battery=Battery(22.2, 0.02, 0.5),
    )
    power, plunge, rate = wing(drive)
    mean = drive_train(drive, FREQUENCY, power, 0.3 * np.sin(2 * TAU), plunge, rate).mean
    # The battery gives tens of watts: 1e-12 of that is the rounding of the 128-step means.
    assert energy_gap(mean, float(power.mean())) < ROUNDING
    assert mean["gear_friction_w"] >= -ROUNDING
    assert mean["unrecovered_power_w"] >= -ROUNDING
    assert abs(mean["spring_power_w"]) < 1e-12


def test_many_designs_at_once_equal_one_after_the_other():
    generator = np.random.default_rng(3)
    ratio, resistance, moment = (generator.uniform(low, high, 5) for low, high in (
        (50.0, 90.0), (0.2, 0.8), (-1.0, 1.0)
    ))  # fmt: skip
    frequency = generator.uniform(1.5, 3.0, 5)
    power, plunge, rate = wing(BENCH)
    several = dataclasses.replace(
        BENCH,
        gear_ratio=ratio,
        motor=Motor(resistance, 0.0096, 0.35, 4e-7),
        balance_spring=BalanceSpring(moment, 0.0),
    )
    lanes = [np.repeat(x[:, None], 5, axis=1) for x in (power, REST, plunge, rate)]
    together = drive_train(several, frequency, *lanes)
    for lane in range(5):
        one = dataclasses.replace(
            BENCH,
            gear_ratio=ratio[lane],
            motor=Motor(resistance[lane], 0.0096, 0.35, 4e-7),
            balance_spring=BalanceSpring(moment[lane], 0.0),
        )
        alone = drive_train(one, frequency[lane], power, REST, plunge, rate)
        for name, value in alone.mean.items():
            assert together.mean[name].shape == (5,)
            # Means over one axis or the other sum in another order.
            np.testing.assert_allclose(
                together.mean[name][lane], value, rtol=ROUNDING, atol=ROUNDING
            )


# --- the best spring ---------------------------------------------------------------------------


def test_the_best_spring_carries_a_mean_moment_and_a_linear_one_whole():
    # Exact: what is left without the spring is steady, and a steady load has the least I^2 R.
    drive = dataclasses.replace(BENCH, regeneration=0.0)
    _, plunge, rate = wing(drive)
    best = optimal_spring(
        drive, FREQUENCY, 3.0 - 0.5 * rate - 2.0 * plunge * rate, REST, plunge, rate
    )
    # The minimum is quadratic: a power known to 1e-13 fixes its place to about 1e-6.
    assert best.spring.moment_n_m == pytest.approx(0.5, abs=1e-5)
    assert best.spring.stiffness_n_m_rad == pytest.approx(2.0, abs=1e-5)
    assert best.motor_power == pytest.approx(
        float(train(BENCH, 3.0 + REST)["motor_power_w"]), rel=1e-9
    )


@given(seed=st.integers(0, 10_000))
def test_no_other_spring_takes_less(seed):
    generator = np.random.default_rng(seed)
    drive = dataclasses.replace(BENCH, regeneration=float(generator.choice([0.0, 0.4])))
    power, plunge, rate = wing(drive)
    power = power + generator.normal() * np.cos(2 * TAU + generator.uniform(0, 6))
    power = power + generator.normal(scale=0.5) * rate + generator.normal() * plunge * rate
    best = optimal_spring(drive, FREQUENCY, power, REST, plunge, rate)
    size = 0.01 * 10.0 ** generator.uniform(-2, 2, (2, 300))
    moment, stiffness = size * generator.normal(size=(2, 300))
    others = dataclasses.replace(
        drive,
        balance_spring=BalanceSpring(
            best.spring.moment_n_m + moment,
            np.maximum(best.spring.stiffness_n_m_rad + stiffness, 0.0),
        ),
    )
    lanes = [np.repeat(x[:, None], 300, axis=1) for x in (power, REST, plunge, rate)]
    found = drive_train(others, FREQUENCY, *lanes).mean["motor_power_w"]
    # A simplex stops short of a kinked minimum by a part in a million, which no bench sees.
    assert found.min() > best.motor_power * (1.0 - 1e-6)


def test_a_wing_that_does_not_plunge_needs_no_spring():
    best = optimal_spring(BENCH, FREQUENCY, 2.0 + REST, REST, REST, REST)
    assert best.spring == BalanceSpring(0.0, 0.0)


# --- an uneven crank ---------------------------------------------------------------------------


def test_a_heavy_rotor_turns_evenly_and_draws_a_steady_current():
    drive = dataclasses.replace(BENCH, motor=Motor(0.35, 0.0096, 0.35, 1.0))
    shaft = 3.0 + 6.0 * np.cos(TAU)
    found = crank_speed_ripple(drive, FREQUENCY, shaft)
    assert found.fluctuation < 1e-5
    # Exact in the limit: the mean torque drawn as one steady current.
    steady = 0.35 + np.maximum(shaft, 0.0).mean() / 0.78 / (0.0096 * 75.0 * 2.0 * np.pi * FREQUENCY)
    # The ripple of 1e-5 of 9 V moves 0.35 ohm by 3e-4 A.
    np.testing.assert_allclose(found.motor_current, steady, rtol=1e-3)


def test_small_ripple_is_the_load_through_the_rotor_and_the_motors_own_damping():
    # Exact for a small load: J w0 s' + (k^2/R) s = -load/w0 for the speed ratio s - 1, with the
    # rotor inertia and the torque constant brought to the crank.
    amplitude, inertia = 1e-3, 4e-5
    drive = dataclasses.replace(
        BENCH, gear_efficiency=1.0, motor=Motor(0.35, 0.0096, 0.35, inertia), regeneration=1.0
    )
    found = crank_speed_ripple(drive, FREQUENCY, 3.0 + amplitude * np.cos(TAU))
    base = 2.0 * math.pi * FREQUENCY
    at_crank = 75.0**2 * inertia * base**3
    damping = (75.0 * 0.0096 * base) ** 2 / 0.35
    response = amplitude / abs(complex(damping, at_crank))
    # Second-order terms are the ripple itself, some 1e-5.
    assert found.fluctuation == pytest.approx(2.0 * response, rel=1e-4)


def test_the_uneven_crank_keeps_its_frequency_and_its_energy():
    shaft = 3.0 + 6.0 * np.cos(TAU)
    found = crank_speed_ripple(BENCH, FREQUENCY, shaft)
    # Time for a turn, and energy over a turn: voltage, winding, idling and load.
    assert (1.0 / found.speed).mean() * FREQUENCY * 2.0 * math.pi == pytest.approx(1.0, rel=1e-9)
    idle = 0.0096 * 75.0 * 2.0 * math.pi * FREQUENCY * 0.35
    load = np.maximum(shaft, 0.0).mean() / 0.78
    assert found.motor_power == pytest.approx(found.copper_loss + idle + load, rel=1e-9)


def test_a_weak_motor_with_a_light_rotor_stalls_within_the_stroke():
    drive = dataclasses.replace(BENCH, motor=Motor(20.0, 0.0096, 0.05, 1e-9))
    with pytest.raises(NoSteadyCrank, match="rotor"):
        crank_speed_ripple(drive, FREQUENCY, 3.0 + 60.0 * np.cos(TAU))


# --- what a run reports ------------------------------------------------------------------------


def test_reported_ratios_multiply_to_the_total():
    power, plunge, rate = wing(BENCH)
    mean = drive_means(GLASSHOUSE, power, REST, plunge, rate, 0.09)
    assert set(REPORTED) <= set(mean)
    assert set(mean) <= set(QUANTITIES)
    assert mean["total_efficiency"] == pytest.approx(
        float(mean["aerodynamic_efficiency"] * mean["drive_efficiency"]), rel=ROUNDING
    )
    # Exact: weight x airspeed over shaft power and its electrical inverse.
    assert mean["effective_lift_to_drag"] * mean["shaft_power_w"] == pytest.approx(
        0.24 * 9.80665 * 5.0, rel=ROUNDING
    )
    assert mean["cost_of_transport"] == pytest.approx(
        float(mean["electrical_power_w"]) / (0.24 * 9.80665 * 5.0), rel=ROUNDING
    )


def test_without_a_drive_or_at_rest_ratios_have_no_value():
    power, plunge, rate = wing(BENCH)
    none = drive_means(dataclasses.replace(GLASSHOUSE, drive=None), power, REST, plunge, rate, 0.1)
    assert set(none) == set(REPORTED)
    assert all(np.isnan(value) for value in none.values())
    still = GLASSHOUSE.replace({"flight.airspeed_m_s": 0.0})
    mean = drive_means(still, power, REST, plunge, rate, 0.1)
    assert np.isnan(mean["cost_of_transport"])
    assert np.isfinite(mean["electrical_power_w"])
