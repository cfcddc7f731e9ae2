"""The parts of a measurement one by one, against closed forms and other libraries."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from rig_bench import (
    CASES,
    bench,
    glasshouse,
    log,
    reduced,
    truth,
    typical_flaws,
    with_position,
)
from scipy import signal

from flapsim.faults import CaseError
from flapsim.rig.calibrate import Free, calibrate
from flapsim.rig.channels import Channel, Clock, Filter
from flapsim.rig.compare import compare
from flapsim.rig.filters import response, undone
from flapsim.rig.predicted import predict
from flapsim.rig.rig_file import Tare, read_rig
from flapsim.rig.shaft import crank_torque, motor_current, motor_torque
from flapsim.rig.synthetic_log import Flaws, write_log
from flapsim.rig.uncertainty import block_length, means_with_scatter

EXACT = {"dropped": 0.0, "jitter": 0.0, "wander": 0.0, "gusts": 0.0, "sensors": {}}


@pytest.mark.parametrize("order", range(1, 9))
def test_low_pass_is_that_of_butterworth(order: int) -> None:
    frequency = np.array([0.0, 1.0, 5.0, 10.0, 25.0])
    # Poles on the unit circle at angles pi (2 k + n - 1) / (2 n), k = 1..n (Butterworth 1930).
    angles = np.pi * (2 * np.arange(1, order + 1) + order - 1) / (2 * order)
    ratios = 1j * frequency[:, None] / 10.0 / np.exp(1j * angles)
    expected = 1.0 / np.prod(1.0 - ratios, axis=1)
    found = response(Filter(cutoff_hz=10.0, order=order), frequency)
    np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_force_balance_responds_like_a_mass_on_a_spring() -> None:
    """March m x'' + c x' + k x = F in time; the steady state is that of the frequency response."""
    natural, damping, frequency = 20.0, 0.05, 6.0
    omega = 2.0 * np.pi * natural
    system = signal.lti([omega**2], [1.0, 2.0 * damping * omega, omega**2])
    time = np.linspace(0.0, 4.0, 40001)
    _, answer, _ = signal.lsim(system, np.cos(2.0 * np.pi * frequency * time), time)
    ratio = response(
        Filter(resonance_hz=natural, resonance_damping=damping), np.array([frequency])
    )[0]
    expected = (ratio * np.exp(2j * np.pi * frequency * time)).real
    late = time > 3.0
    np.testing.assert_allclose(answer[late], expected[late], atol=1e-5)


def test_undoing_a_filter_restores_the_wave() -> None:
    phase = 2.0 * np.pi * np.arange(64) / 64
    wave = 1.0 + np.cos(phase - 0.3) + 0.2 * np.sin(3.0 * phase)
    filter_ = Filter(cutoff_hz=9.0, order=2, delay_s=0.004)
    spectrum = np.fft.rfft(wave) * response(filter_, 2.8 * np.arange(33.0))
    np.testing.assert_allclose(undone(np.fft.irfft(spectrum, 64), 2.8, filter_), wave, atol=1e-12)


def test_motor_current_solves_the_power_of_a_motor() -> None:
    current = np.linspace(0.1, 3.0, 20)
    speed = np.linspace(400.0, 1300.0, 20)
    power = 0.5 * current**2 + 0.006 * speed * current
    np.testing.assert_allclose(motor_current(power, speed, 0.5, 0.006), current, rtol=1e-12)
    assert np.isnan(motor_current(np.array([-50.0]), speed[:1], 0.5, 0.006)).all()


def test_gear_has_the_same_efficiency_in_either_direction() -> None:
    torque = motor_torque(np.array([1.15, -0.85]), 0.01, 0.15)
    np.testing.assert_allclose(torque, [0.01, -0.01])
    np.testing.assert_allclose(crank_torque(torque, 50.0, 0.8), [0.4, -0.625])


def test_blocks_grow_with_the_correlation_time() -> None:
    random = np.random.default_rng(1)
    white = random.standard_normal(4000)
    slow = signal.lfilter([1.0], [1.0, -0.95], white)
    assert block_length(white) == 16
    # Integrated correlation time of this series: (1 + 0.95) / (1 - 0.95) / 2 = 19.5 strokes.
    assert 40 <= block_length(slow) <= 160


def test_scatter_of_means_keeps_their_covariance() -> None:
    random = np.random.default_rng(2)
    blocks = np.array([[1.0, 0.0], [0.8, 0.6]]) @ random.standard_normal((2, 50))
    one, other = means_with_scatter(blocks.mean(axis=1), blocks)
    expected = np.var(blocks[0] - blocks[1], ddof=1) / 50
    assert (one - other).std_dev ** 2 == pytest.approx(expected, rel=1e-9)


def test_index_pulse_corrects_lost_counts() -> None:
    rig = with_position(bench(), per_turn=840.0, index_column="z")
    columns = log(rig, strokes=40, flaws=Flaws(**EXACT), prediction=predict(glasshouse(), rig))
    # One count in five goes missing for a while, too few to be seen as a jump.
    columns["count"] -= np.clip(np.arange(len(columns["count"])) - 3000, 0, 60)
    found = reduced(columns, rig)
    assert found.counts["strokes with a wrong count"] >= 1
    peak = found.phase[np.argmax(found.waves["lift_n"].value)]
    expected = 2.0 * np.pi * np.argmax(truth().waves["lift"]) / len(truth().waves["lift"])
    assert abs(peak - expected) < 4.0 * np.pi / 64


def test_edges_without_an_index_are_not_compared_with_a_case() -> None:
    rig = with_position(bench(), kind="edges", per_turn=24.0)
    found = reduced(log(rig, prediction=predict(glasshouse(), rig)), rig)
    with pytest.raises(CaseError, match=r"position\.index_column"):
        compare(found, glasshouse())
    with pytest.raises(CaseError, match="where the stroke begins"):
        calibrate(found, glasshouse(), [Free("wing.section.suction")])


def test_a_clock_that_wraps_is_followed() -> None:
    columns = log(bench(), flaws=typical_flaws())
    rig = dataclasses.replace(
        bench(), channels=dataclasses.replace(bench().channels, time=Clock("t", "us", 4e6))
    )
    wrapped = columns | {"t": np.mod(np.round(1e6 * columns["t"]) + 1.5e6, 4e6)}
    found, plain = reduced(wrapped, rig), reduced(columns, bench())
    assert found.counts["clock wraps"] == 2
    assert found.account.estimates["lift_n"].value == pytest.approx(
        plain.account.estimates["lift_n"].value, rel=1e-4
    )


def test_a_run_at_rest_gives_the_tare(tmp_path: Path) -> None:
    random = np.random.default_rng(3)
    time = np.arange(4000) / 500.0
    thrust = np.rint(-297.0 + 20.0 * random.standard_normal(4000))
    write_log(tmp_path / "still.csv", {"t": time, "count": 0.0 * time, "thrust": thrust})
    numbers = {"body_thrust_n": -0.092, "held_drag_n": 0.193}
    by_log = dataclasses.replace(
        bench(), folder=tmp_path, tare=Tare(still_log="still.csv", **numbers)
    )
    by_number = dataclasses.replace(bench(), tare=Tare(still_thrust_n=-0.297, **numbers))
    columns = log(bench())
    found = reduced(columns, by_log).account
    expected = reduced(columns, by_number).account.estimates["tare_efficiency"]
    # Noise of 20 mN over the root of 4000 samples is 0.3 mN.
    assert found.estimates["tare_efficiency"].value == pytest.approx(expected.value, abs=0.003)
    shares = {share.source: share.uncertainty for share in found.budget["tare_efficiency"]}
    assert shares["thrust held still"] == pytest.approx(0.0003 * 5.0 / 2.0, rel=0.5)


def test_measured_airspeed_replaces_the_stated_one() -> None:
    speed = Channel("v", "km/h", (0.0, 20.0), gain_uncertainty=0.01, steady=True)
    rig = dataclasses.replace(
        bench(), flow=None, channels=dataclasses.replace(bench().channels, airspeed=speed)
    )
    found = reduced(log(rig), rig).account
    assert found.estimates["airspeed_m_s"].value == pytest.approx(5.0, rel=1e-6)
    assert found.estimates["airspeed_m_s"].uncertainty == pytest.approx(0.05, rel=1e-3)


def test_a_log_without_current_still_gives_the_forces() -> None:
    channels = dataclasses.replace(bench().channels, voltage=None, current=None)
    rig = dataclasses.replace(bench(), channels=channels, drive=None)
    found = reduced(log(rig), rig).account.estimates
    assert set(found) == {"frequency_hz", "airspeed_m_s", "lift_n", "thrust_n", "thrust_power_w"}


def test_rig_of_the_cases_reads() -> None:
    assert read_rig(CASES / "rig" / "bench.toml").measured.keys() == {
        "voltage", "current", "lift", "thrust",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"gear_ratio": 70.0}, "imply 7.73 V"),
        ({"mechanism_loss_w": 3.0}, "No power is left for the air"),
    ],
)
def test_an_inconsistent_drive_is_warned_of(changes: dict[str, float], words: str) -> None:
    rig = bench()
    assert rig.drive is not None
    wrong = dataclasses.replace(rig, drive=dataclasses.replace(rig.drive, **changes))
    columns = log(rig)
    assert not any(words in note for note in reduced(columns, rig).notes)
    assert any(words in note for note in reduced(columns, wrong).notes)
