"""The crank tracked through gaps, wraps and resets; doubts about the phase are warned of."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from rig_bench import bench, glasshouse, log, reduced, truth, typical_flaws, with_position

from flapsim.faults import CaseError
from flapsim.rig.compare import compare
from flapsim.rig.predicted import predict
from flapsim.rig.reduction import Reduction
from flapsim.rig.rig_file import Flow, Rig, Tare, parse_rig
from flapsim.rig.strokes import clipped_peaks
from flapsim.rig.synthetic_log import Flaws, write_log

Array = NDArray[np.float64]
Columns = dict[str, Array]

GEAR = bench().position.turns_per_stroke

EXACT = {"dropped": 0.0, "jitter": 0.0, "wander": 0.0, "gusts": 0.0, "sensors": {}}


def logged(rig: Rig, strokes: int = 40) -> Columns:
    return log(rig, strokes, flaws=Flaws(**EXACT), prediction=predict(glasshouse(), rig))


def without(columns: Columns, first: int, last: int) -> Columns:
    return {name: np.delete(values, slice(first, last)) for name, values in columns.items()}


def lift_deviation(found: Reduction) -> float:
    """Largest departure of the averaged lift from the truth, N; its amplitude is about 5 N."""
    wave = truth().waves["lift"]
    expected = np.interp(found.phase, 2.0 * np.pi * np.arange(len(wave)) / len(wave), wave)
    return float(np.abs(found.waves["lift_n"].value - expected).max())


@pytest.mark.parametrize("rows", [20, 150, 650])
@pytest.mark.parametrize("wraps_at", [8.0, 256.0, 65536.0])
def test_a_gap_either_keeps_the_phase_of_later_strokes_or_is_warned_of(
    rows: int, wraps_at: float
) -> None:
    rig = with_position(bench(), per_turn=6.0, turns_per_stroke=GEAR, wraps_at=wraps_at)
    columns = logged(rig)
    # Where the log begins, such a counter may have wrapped: begin it in its first turn.
    columns["count"] = np.mod(columns["count"] - columns["count"][0] + 155.0, wraps_at)
    whole, found = reduced(columns, rig), reduced(without(columns, 3000, 3000 + rows), rig)
    assert found.strokes.rejected()["gap in the samples"] >= 1
    warned = any("too long to keep the count" in note for note in found.notes)
    # 5 % of a stroke and 5 % of the turns are in doubt: more than four counts of eight always.
    assert warned == (wraps_at == 8.0)
    if not warned:
        moved = found.waves["lift_n"].value - whole.waves["lift_n"].value
        assert np.abs(moved).max() < 0.01


def test_a_gap_between_edges_is_counted_through() -> None:
    rig = with_position(bench(), kind="edges", per_turn=24.0)
    columns = logged(rig)
    whole = reduced(columns, rig)
    found = reduced(without(columns, 3000, 3040), rig)
    assert found.counts["edges put into gaps"] >= 4
    assert "standstills" not in found.counts
    assert not any("too long" in note for note in found.notes)
    moved = found.waves["lift_n"].value - whole.waves["lift_n"].value
    assert np.abs(moved).max() < 0.05


def test_a_gap_too_long_to_count_edges_through_is_warned_of() -> None:
    rig = with_position(bench(), kind="edges", per_turn=24.0)
    found = reduced(without(logged(rig), 3000, 3155), rig)
    assert found.counts["gaps over which the phase is lost"] == 1
    assert any("1 gap is too long" in note for note in found.notes)


def test_an_index_finds_the_phase_again_after_any_gap() -> None:
    rig = with_position(bench(), per_turn=6.0, turns_per_stroke=GEAR, wraps_at=8.0,
                        index_column="z")  # fmt: skip
    found = reduced(without(logged(rig), 3000, 3650), rig)
    assert lift_deviation(found) < 0.02
    assert not any("too long" in note for note in found.notes)


def test_a_counter_that_restarts_in_a_gap_is_reported_as_a_jump() -> None:
    columns = logged(bench())
    columns["count"][3000:] -= columns["count"][3000]
    found = reduced(without(columns, 2900, 3000), with_position(
        bench(), per_turn=6.0, turns_per_stroke=GEAR))  # fmt: skip
    assert found.counts["position jumps"] == 1
    assert any("jumped 1 time:" in note for note in found.notes)
    assert found.bench.strokes.count >= 36


def test_a_counter_that_wraps_within_the_stroke_is_not_compared_with_a_case() -> None:
    rig = with_position(bench(), per_turn=6.0, turns_per_stroke=GEAR, wraps_at=8.0)
    with pytest.raises(CaseError, match="wrap within the stroke"):
        compare(reduced(logged(rig), rig), glasshouse())


@pytest.mark.parametrize(
    ("position", "words"),
    [
        ('kind = "edges"\ncolumn = "z"\nper_turn = 6.0\nturns_per_stroke = 70.0',
         r"log\.sample_rate_hz: expected a number >= 5040, found 500"),
        ('kind = "counts"\ncolumn = "z"\nper_turn = 420.0\nwraps_at = 6.0',
         r"position\.wraps_at: expected a number > 6\.72, found 6"),
    ],
)  # fmt: skip
def test_a_sensor_faster_than_the_samples_is_refused(position: str, words: str) -> None:
    text = bench().text
    start, end = text.index("[position]"), text.index("[strokes]")
    with pytest.raises(CaseError, match=words):
        parse_rig(f"{text[:start]}[position]\n{position}\n{text[end:]}")


# --- what cannot be repaired is warned of ------------------------------------------------------


def test_a_wrong_crank_zero_is_warned_of() -> None:
    off = dataclasses.replace(bench().position, zero_deg=40.0)
    found = reduced(logged(bench()), dataclasses.replace(bench(), position=off))
    (note,) = [note for note in compare(found, glasshouse()).notes if "position.zero_deg" in note]
    assert "40° earlier" in note or "39.5° earlier" in note
    right = compare(reduced(logged(bench()), bench()), glasshouse())
    assert not any("position.zero_deg" in note for note in right.notes)


@pytest.mark.parametrize("flaws", [Flaws(**EXACT), typical_flaws()])
def test_clipped_peaks_are_warned_of(flaws: Flaws) -> None:
    columns = log(bench(), 40, flaws=flaws)
    whole = reduced(columns, bench())
    assert not any("lift: flat peaks" in note for note in whole.notes)
    columns["lift"] = np.minimum(columns["lift"], np.percentile(columns["lift"], 93.0))
    assert any("lift: flat peaks in" in note for note in reduced(columns, bench()).notes)


def test_a_coarsely_quantised_smooth_peak_does_not_count_as_clipped() -> None:
    time = np.arange(2000) / 500.0
    wave = np.cos(2.0 * np.pi * 2.0 * time)
    starts = np.arange(9) / 2.0
    assert clipped_peaks(np.round(wave, 3), time, starts) == 0
    assert clipped_peaks(np.round(np.maximum(wave, -0.92), 3), time, starts) == 8
    assert clipped_peaks(np.zeros(2000), time, starts) == 0


def test_a_clock_that_differs_from_the_stated_rate_is_warned_of() -> None:
    columns = logged(bench())
    columns["t"] = columns["t"] * 1.015
    assert any("492.611 samples per second" in note for note in reduced(columns, bench()).notes)


def test_a_tare_run_in_which_the_wing_flaps_is_refused(tmp_path: Path) -> None:
    columns = logged(bench())
    write_log(tmp_path / "still.csv", columns)
    rig = dataclasses.replace(bench(), folder=tmp_path, tare=Tare(still_log="still.csv"))
    with pytest.raises(
        CaseError, match=r"still\.csv: count: expected a crank at rest, found a turn of \d+°"
    ):
        reduced(columns, rig)


def test_a_rig_without_airspeed_has_no_thrust_power() -> None:
    rig = dataclasses.replace(bench(), flow=Flow(0.0))
    hover = glasshouse().replace({"flight.airspeed_m_s": 0.0})
    found = reduced(log(rig, flaws=Flaws(**EXACT), prediction=predict(hover, rig)), rig)
    assert found.account.estimates["thrust_power_w"].value == 0.0
    assert set(compare(found, glasshouse()).quantities) >= {"lift_n", "current_a"}


def test_confidence_bands_widen_with_correlated_strokes() -> None:
    """Correlated strokes hold less information: blocks show it, plain scatter does not."""
    from scipy import signal

    columns = log(bench(), 200, seed=8, flaws=Flaws(**EXACT))
    random = np.random.default_rng(1)
    slow = signal.lfilter([0.1], [1.0, -0.9], random.standard_normal(210))
    turn = columns["t"] * truth().frequency
    columns["lift"] = columns["lift"] + np.interp(turn, np.arange(210), slow)
    found = reduced(columns, bench())
    wave = found.waves["lift_n"]
    half = 0.5 * float(np.median(wave.high - wave.low))
    plain = 1.97 * float(found.bench.strokes.means["lift"].std()) / np.sqrt(200.0)
    # Correlation time of 9.5 strokes: the scatter of the mean is sqrt(19) times the plain one.
    assert half > 2.0 * plain


def test_edges_few_samples_apart_are_counted_right_where_some_are_missed() -> None:
    rig = with_position(bench(), kind="edges", per_turn=40.0)
    columns = log(rig, 60, flaws=Flaws(**(EXACT | {"missed": 0.03})))
    found = reduced(columns, rig)
    # 4.5 samples an edge; 2400 edges, of which 72 are missed, give or take four times their root.
    assert found.counts["missed edges"] == pytest.approx(72, abs=34)
    assert found.account.estimates["frequency_hz"].value == pytest.approx(2.8, rel=1e-3)


def test_readings_that_are_equal_by_chance_do_not_count_as_clipped() -> None:
    # A level floor under noise of a few counts: runs of equal readings come up by chance.
    time = np.arange(20000) / 2000.0
    wave = np.maximum(np.cos(2.0 * np.pi * 2.0 * time), -0.5)
    noise = np.random.default_rng(3).normal(0.0, 1.5, time.size)
    read = np.round(wave * 100.0 + noise)
    starts = np.arange(21) / 2.0
    runs = np.diff(np.flatnonzero(np.diff(read) != 0.0))
    assert (runs >= 4).sum() > 20
    assert clipped_peaks(read, time, starts) == 0
