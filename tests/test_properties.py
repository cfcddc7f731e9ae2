"""What must hold for every wing and every option: symmetries, scaling, balances, convergence."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flapsim.case import Case, read_case
from flapsim.case.columns import Designs
from flapsim.cycle.results import evaluate
from flapsim.cycle.simulate import simulate
from flapsim.half_wing.pack import pack
from flapsim.kernel import solve
from flapsim.kernel.elementary import decay, sine_cosine
from tests.designs import lattice, sample

CASES = Path(__file__).parent.parent / "cases"
GLASSHOUSE = read_case(CASES / "glasshouse.toml")
ROUNDING = 1e-9
"""Balances are identities: what is left is rounding, far below this."""

few = settings(max_examples=8)
amplitudes = st.floats(5.0, 35.0)
lags = st.floats(-90.0, -30.0)


def glasshouse(plunge: float, lag: float, **model: object) -> Case:
    """Return the surveyor with another stroke, thinned out to be quick."""
    return GLASSHOUSE.replace(
        {
            "stroke.inner.plunge.amplitude_deg": plunge,
            "stroke.outer.twist.tip_lag_deg": lag,
            "wing.inner.strips": 6,
            "wing.outer.strips": 6,
            "model.steps": 48,
            **{f"model.{key}": value for key, value in model.items()},
        }
    )


OPTIONS = lattice(steps=16)


@pytest.mark.parametrize("number", range(len(OPTIONS)))
def test_power_goes_into_thrust_wake_and_profile_at_every_instant(number: int) -> None:
    (case,) = sample(1, 7000 + number, **OPTIONS[number])
    check = simulate(case).check
    assert check["energy_balance"] < ROUNDING
    assert check["motion_power_balance"] < ROUNDING


@few
@given(amplitudes, lags)
def test_a_port_half_that_does_the_same_changes_nothing(plunge: float, lag: float) -> None:
    case = glasshouse(plunge, lag)
    twice = case.replace({"stroke.port": {"outer": case.stroke.outer}})
    one, two = simulate(case), simulate(twice)
    np.testing.assert_allclose(two.lift, one.lift, rtol=0.0, atol=1e-12)
    assert abs(two.mean["side_n"]) < 1e-12
    assert abs(two.mean["rolling_moment_n_m"]) < 1e-12


@few
@given(amplitudes, lags)
def test_swapping_the_halves_mirrors_side_force_roll_and_yaw(plunge: float, lag: float) -> None:
    case = glasshouse(plunge, lag)
    late = case.replace({"stroke.outer.twist.tip_lag_deg": lag + 25.0})
    starboard = case.replace({"stroke.port": {"outer": late.stroke.outer}})
    port = late.replace({"stroke.port": {"outer": case.stroke.outer}})
    one, two = simulate(starboard).mean, simulate(port).mean
    assert two["lift_n"] == pytest.approx(one["lift_n"], rel=1e-12)
    for name in ("side_n", "rolling_moment_n_m", "yawing_moment_n_m"):
        assert two[name] == pytest.approx(-one[name], rel=1e-9, abs=1e-12)
    assert abs(one["rolling_moment_n_m"]) > 1e-6


@few
@given(amplitudes, lags, st.integers(1, 47))
def test_a_later_start_of_the_stroke_only_shifts_it(plunge: float, lag: float, steps: int) -> None:
    case = glasshouse(plunge, lag)
    later = 360.0 * steps / 48.0
    shifted = case.replace(
        {
            key: case.get(key) + later - 360.0 * round((case.get(key) + later) / 360.0)
            for key in (
                "stroke.inner.plunge.lag_deg",
                "stroke.inner.twist.tip_lag_deg",
                "stroke.outer.plunge.lag_deg",
                "stroke.outer.twist.tip_lag_deg",
            )
        }
    )
    one, two = simulate(case), simulate(shifted)
    np.testing.assert_allclose(two.lift, np.roll(one.lift, steps), rtol=0.0, atol=1e-9)
    assert two.mean["aero_power_w"] == pytest.approx(one.mean["aero_power_w"], rel=1e-9)


@few
@given(amplitudes, lags)
def test_twice_the_size_thrice_the_speed_means_36_times_the_force(
    plunge: float, lag: float
) -> None:
    # Forces scale with density, speed squared and length squared at equal Reynolds number, reduced
    # frequency and angles; powers with one more speed.
    case = glasshouse(plunge, lag)
    large = case.replace(
        {
            "air.kinematic_viscosity_m2_s": 6.0 * case.air.kinematic_viscosity,
            "craft.shoulder_offset_m": 2.0 * case.craft.shoulder_offset_m,
            "craft.centre_of_mass_m": [2.0 * x for x in case.craft.centre_of_mass_m],
            "flight.airspeed_m_s": 3.0 * case.flight.airspeed_m_s,
            "stroke.frequency_hz": 1.5 * case.stroke.frequency_hz,
        }
        | {
            f"wing.{segment}.length_m": 2.0 * case.get(f"wing.{segment}.length_m")
            for segment in ("inner", "outer")
        }
        | {
            f"wing.{segment}.chord_m": [
                [at, 2.0 * chord] for at, chord in case.get(f"wing.{segment}.chord_m")
            ]
            for segment in ("inner", "outer")
        }
    )
    one, two = simulate(case).mean, simulate(large).mean
    for name in ("lift_n", "thrust_n", "held_drag_n"):
        assert two[name] == pytest.approx(36.0 * one[name], rel=1e-9)
    for name in ("aero_power_w", "wake_loss_w", "profile_loss_w"):
        assert two[name] == pytest.approx(108.0 * one[name], rel=1e-9)
    assert two["flapping_efficiency"] == pytest.approx(one["flapping_efficiency"], rel=1e-7)


@few
@given(amplitudes, lags, st.floats(0.3, 3.0))
def test_loads_are_proportional_to_density(plunge: float, lag: float, factor: float) -> None:
    case = glasshouse(plunge, lag)
    dense = case.replace({"air.density_kg_m3": factor * case.air.density})
    one, two = simulate(case).mean, simulate(dense).mean
    for name in ("lift_n", "thrust_n", "aero_power_w", "profile_loss_w"):
        assert two[name] == pytest.approx(factor * one[name], rel=1e-10)


@pytest.mark.parametrize("induced", ["lifting-line", "slope", "none"])
@pytest.mark.parametrize("wake_lag", ["finite-wing", "two-dimensional"])
@pytest.mark.parametrize("stall", ["static", "lagged"])
@few
@given(amplitudes, lags)
def test_wake_and_profile_never_give_power_back(induced, wake_lag, stall, plunge, lag) -> None:
    mean = simulate(glasshouse(plunge, lag, induced=induced, wake_lag=wake_lag, stall=stall)).mean
    assert mean["wake_loss_w"] >= 0.0
    assert mean["profile_loss_w"] >= 0.0


@pytest.mark.parametrize("induced", ["slope", "lifting-line"])
@pytest.mark.parametrize("law", ["thin-plate", "revolving-plate"])
@pytest.mark.parametrize("pitch_deg", [100.0, 120.0, 150.0])
def test_reversed_flow_leaves_power_in_the_wake_too(
    induced: str, law: str, pitch_deg: float
) -> None:
    # The trailing sheet lies downstream of whichever edge; with it on the wrong side the wake
    # would push the wing along.
    case = read_case(CASES / "student_flapper.toml").replace(
        {
            "flight.pitch_deg": pitch_deg,
            "stroke.inner": {"plunge": {"amplitude_deg": 0.0}},
            "wing.section": {"law": law},
            "model.induced": induced,
            "model.steps": 16,
        }
    )
    assert simulate(case).mean["wake_loss_w"] > 0.0


@pytest.mark.parametrize("apparent_mass", [True, False])
@few
@given(amplitudes, lags)
def test_an_ideal_section_without_a_wake_turns_all_power_into_thrust(
    apparent_mass: bool, plunge: float, lag: float
) -> None:
    case = glasshouse(
        plunge, lag, induced="none", wake="quasi-steady", apparent_mass=apparent_mass, steps=256
    ).replace({"wing.section": {"law": "thin-airfoil", "friction": 0.0, "zero_lift_deg": -4.0}})
    mean = simulate(case).mean
    # Left over is the apparent mass's stored energy, whose mean vanishes with the step.
    assert mean["aero_power_w"] == pytest.approx(mean["thrust_power_w"], rel=1e-6, abs=1e-9)


def test_steps_converge_at_fourth_order_or_better() -> None:
    powers = [
        simulate(glasshouse(18.0, -60.0, steps=steps)).mean["aero_power_w"]
        for steps in (32, 64, 1024)
    ]
    coarse, fine = (abs(power - powers[-1]) for power in powers[:2])
    assert coarse / fine > 2.0**3.5  # fourth order is 16; the rest leaves room for the next term


def test_strips_converge_far_faster_than_any_fixed_order_on_a_smooth_chord() -> None:
    smooth = GLASSHOUSE.replace({"wing.outer.chord_m": [[0.0, 0.27], [1.0, 0.12]]})

    def power(strips: int) -> float:
        keys = {"wing.inner.strips": strips, "wing.outer.strips": strips, "model.induced": "slope"}
        return simulate(smooth.replace(keys)).mean["aero_power_w"]

    exact = power(40)
    assert abs(power(12) - exact) < 1e-6 * exact
    assert abs(power(4) - exact) > 10.0 * abs(power(8) - exact)


@few
@given(st.integers(0, 2**32 - 1))
def test_a_design_gives_the_same_bits_alone_and_in_any_batch(seed: int) -> None:
    rng = np.random.default_rng(seed)
    columns = {
        "flight.pitch_deg": rng.uniform(0.0, 12.0, 21),
        "wing.outer.length_m": rng.uniform(0.3, 0.4, 21),
        "stroke.outer.twist.tip_lag_deg": rng.uniform(-90.0, -30.0, 21),
    }
    case = glasshouse(22.0, -60.0)
    many = pack(Designs(case, columns)).batch
    together = solve(many, threads=2).mean
    for lane in (0, 7, 20):
        alone = many._replace(
            **{
                name: np.ascontiguousarray(getattr(many, name)[..., lane : lane + 1])
                for name in ("constant", "parameter", "schedule", "fit", "downwash")
            }
        )
        np.testing.assert_array_equal(solve(alone).mean[:, 0], together[:, lane])
    # Packed by itself a design may differ in the last bit of a sine, no more.
    single = solve(
        pack(case.replace({key: values[7] for key, values in columns.items()})).batch
    ).mean[:, 0]
    np.testing.assert_allclose(single, together[:, 7], rtol=1e-11, atol=1e-12)


@pytest.mark.parametrize(
    "key", ["wing.outer.length_m", "wing.outer.chord_m.1.1", "craft.shoulder_offset_m"]
)
def test_any_one_length_may_be_a_column(key: str) -> None:
    case = glasshouse(18.0, -60.0)
    values = np.linspace(0.8, 1.2, 5) * case.get(key)
    many = evaluate(case, {key: values})
    single = simulate(case.replace({key: values[3]}))
    for name in ("lift_n", "aero_power_w", "flapping_efficiency", "electrical_power_w"):
        assert many[f"mean.{name}"][3] == pytest.approx(single.mean[name], rel=1e-12)


@given(st.floats(-100.0, 100.0))
def test_sine_and_cosine_are_right_to_rounding(x: float) -> None:
    np.testing.assert_allclose(sine_cosine(x), (np.sin(x), np.cos(x)), rtol=0.0, atol=4e-16)


@given(st.floats(0.0, 500.0))
def test_the_decay_is_an_exponential_within_its_stated_error(x: float) -> None:
    assert decay(x) == pytest.approx(np.exp(-x), rel=1e-14 if x < 5.0 else 0.0, abs=1e-13)
