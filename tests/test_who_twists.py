"""Cases and plans on how the twist is decided: they run and give the numbers that they state."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flapsim.case import read_case
from flapsim.cli.main import main
from flapsim.cycle.simulate import Cycle, simulate
from flapsim.faults import StudyError
from flapsim.show.study_lines import lines
from flapsim.study.compare import condition_from
from flapsim.study.engine import sweep
from flapsim.study.reading import parse_study, read_study
from flapsim.study.table import SweepTable
from flapsim.wing.body import weight

CASES = Path(__file__).parents[1] / "cases"
PAIR = ("two_metre_driven", "two_metre_passive")
EFFICIENCY = "mean.flapping_efficiency"
QUICK = '"model.steps" = 32\n"model.induced" = "slope"'

SPRING = f"""\
title = "Wing: left to a spring"
base = "passive_twist.toml"
[set]
{QUICK}
[[axis]]
key = "stroke.outer.twist.stiffness_n_m_rad"
values = [1.0, 0.3, 0.1, 0.05]
[[axis]]
key = "stroke.outer.twist.rest_deg"
values = [0.0, 10.0]
"""
SENSOR = f"""\
title = "Wing: a sensor of some counts"
base = "lagging_servo.toml"
[set]
{QUICK}
[[axis]]
key = "stroke.outer.twist.sensor_counts"
values = [12, 24, 96]
"""
ALONE = f"""\
title = "Wing: driven"
base = "glasshouse.toml"
[set]
{QUICK}
[[axis]]
key = "stroke.outer.twist.mode"
values = ["driven"]
"""


@pytest.fixture(scope="module")
def pair() -> dict[str, Cycle]:
    return {name: simulate(read_case(CASES / f"{name}.toml")) for name in PAIR}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("lines")


@pytest.fixture(scope="module")
def tables(folder: Path) -> dict[str, SweepTable]:
    plans = {"spring": SPRING, "sensor": SENSOR, "alone": ALONE}
    return {
        name: sweep(parse_study(text, CASES), folder / f"{name}.h5") for name, text in plans.items()
    }


# --- the pair ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PAIR)
def test_both_craft_of_the_pair_fly_level(pair: dict[str, Cycle], name: str) -> None:
    cycle = pair[name]
    load = weight(cycle.case)
    # The files give the trimmed state to four digits.
    assert cycle.mean["lift_n"] + cycle.mean["tail_lift_n"] == pytest.approx(load, rel=1e-3)
    assert abs(cycle.mean["thrust_n"] - cycle.mean["drag_n"]) < 1e-3 * load


def test_the_pair_differs_only_in_the_twist_and_the_state_of_trim() -> None:
    driven, passive = (read_case(CASES / f"{name}.toml") for name in PAIR)
    same = {
        key: driven.get(key)
        for key in (
            "title",
            "flight.pitch_deg",
            "stroke.inner.plunge.amplitude_deg",
            "stroke.outer.plunge.amplitude_deg",
        )
    }
    twist = {
        "mode": "driven",
        "tip_mean_deg": -4.0,
        "tip_amplitude_deg": 46.0,
        "tip_lag_deg": -54.0,
    }
    assert passive.replace(same | {"stroke.outer.twist": twist}) == driven


def test_a_well_timed_twist_more_than_doubles_the_flapping_efficiency(
    pair: dict[str, Cycle],
) -> None:
    """Common practice, no source: from about 30 % to about 80 %. The numbers are pinned."""
    efficiency = {name: cycle.mean["flapping_efficiency"] for name, cycle in pair.items()}
    # Strips that stall one after another leave the passive wing sensitive to the last digit.
    assert efficiency["two_metre_driven"] == pytest.approx(0.798, abs=0.003)
    assert efficiency["two_metre_passive"] == pytest.approx(0.316, abs=0.01)
    assert pair["two_metre_driven"].check["stalled_fraction"] == 0.0
    assert pair["two_metre_passive"].check["stalled_fraction"] == pytest.approx(0.22, abs=0.02)
    power = {name: cycle.mean["aero_power_w"] for name, cycle in pair.items()}
    assert power["two_metre_passive"] / power["two_metre_driven"] == pytest.approx(2.53, abs=0.1)


# --- plans ---------------------------------------------------------------------------------------


def test_the_best_wing_is_neither_the_stiffest_nor_the_softest(folder: Path) -> None:
    table = sweep(CASES / "passive_stiff_to_floppy.toml", store=folder / "floppy.h5")
    efficiency, lift = table[EFFICIENCY], table["mean.lift_n"]
    assert table.done.all()
    best = int(np.argmax(efficiency))
    assert 0 < best < efficiency.size - 1
    assert efficiency[best] > 1.5 * efficiency[0]
    # A wing that aligns with the flow carries nothing.
    assert lift[-1] < 0.4 * lift[0]
    assert np.all(np.diff(table["twist.outer.amplitude_deg"]) > 0.0)


def test_a_faster_actuator_lags_less_and_approaches_the_driven_twist(folder: Path) -> None:
    table = sweep(CASES / "servo_bandwidth.toml", store=folder / "bandwidth.h5")
    assert table.done.all()
    assert np.all(np.diff(table["twist.outer.phase_lag_deg"]) < 0.0)
    driven = simulate(read_case(CASES / "glasshouse.toml")).mean["flapping_efficiency"]
    # At 100 Hz it is still 3 degrees of phase late, and half a degree of twist is lost to the load.
    assert table[EFFICIENCY][-1] == pytest.approx(driven, abs=0.01)
    assert table[EFFICIENCY][4] < driven - 0.2


@pytest.mark.parametrize(
    "name", ["twist_driven", "twist_by_spring", "twist_by_bandwidth", "twist_by_sensor"]
)
def test_the_plans_of_the_study_are_valid_and_trim_the_same_way(name: str) -> None:
    study = read_study(CASES / f"{name}.toml")
    assert study.plan.trim is not None
    assert study.plan.trim.free == (
        "flight.pitch_deg",
        "stroke.inner.plunge.amplitude_deg+stroke.outer.plunge.amplitude_deg",
    )


# --- curves of several sweeps --------------------------------------------------------------------


def test_lines_show_each_sweep_on_its_own_panel_with_one_scale(
    tables: dict[str, SweepTable],
) -> None:
    figure = lines(list(tables.values()), EFFICIENCY)
    spring, sensor = figure.axes
    assert spring.get_ylim() == sensor.get_ylim()
    assert spring.get_xlabel() == "outer twist stiffness (N m/rad)"
    assert spring.get_ylabel() == "flapping efficiency"
    shown = [np.asarray(line.get_ydata()) for line in spring.lines]
    for column in tables["spring"][EFFICIENCY].T:
        assert any(np.array_equal(column[::-1], curve) for curve in shown)
    mark = float(tables["alone"][EFFICIENCY][0])
    for axes in (spring, sensor):
        assert any(np.all(np.asarray(line.get_ydata()) == mark) for line in axes.lines)
    assert {"0°", "10°"} <= {text.get_text() for text in spring.texts}
    assert "Driven" in {text.get_text() for text in sensor.texts}


def test_points_that_fail_a_condition_are_marked_gaps(
    tables: dict[str, SweepTable],
) -> None:
    least = float(np.median(tables["spring"][EFFICIENCY]))
    (axes,) = lines([tables["spring"]], EFFICIENCY, condition_from(f"{EFFICIENCY} >= {least}")).axes
    crosses = [line for line in axes.lines if line.get_marker() == "x"]
    assert sum(len(np.asarray(line.get_xdata())) for line in crosses) == 4
    assert any("no answer" in text.get_text() for text in axes.texts)


def test_lines_of_a_single_point_are_refused(tables: dict[str, SweepTable]) -> None:
    with pytest.raises(StudyError, match="more than one point"):
        lines([tables["alone"]], EFFICIENCY)


def test_the_command_line_draws_lines_of_several_sweeps(
    tables: dict[str, SweepTable], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = [str(table.path) for table in tables.values()]
    path = tmp_path / "lines.png"
    words = ["compare", *files, "--figure", "lines", "--quantity", EFFICIENCY, "-o", str(path)]
    assert main([*words, "--json"]) == 0
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert document["written"] == str(path)
    assert path.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("more", "message"),
    [([], "--quantity NAME"), (["--quantity", EFFICIENCY, "--rank", EFFICIENCY], "--rank")],
)
def test_the_command_line_names_the_options_that_lines_need(
    tables: dict[str, SweepTable],
    more: list[str],
    message: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    path = tmp_path / "lines.png"
    file = str(tables["spring"].path)
    assert main(["compare", file, "--figure", "lines", "-o", str(path), *more]) == 2
    assert message in capsys.readouterr().err


@pytest.mark.parametrize(
    ("key", "values"),
    [
        ("stroke.outer.twist.sensor_counts", [6, 24]),
        ("stroke.outer.twist.actuator_order", [1, 2]),
    ],
)
def test_whole_numbers_of_an_actuator_may_be_an_axis(
    key: str, values: list[int], tmp_path: Path
) -> None:
    plan = (
        f'base = "lagging_servo.toml"\n[set]\n{QUICK}\n[[axis]]\nkey = "{key}"\nvalues = {values}'
    )
    table = sweep(parse_study(plan, CASES), tmp_path / "whole.h5")
    case = read_case(CASES / "lagging_servo.toml")
    case = case.replace({"model.steps": 32, "model.induced": "slope"})
    for value, lag in zip(values, table["twist.outer.phase_lag_deg"], strict=True):
        alone = simulate(case.replace({key: value})).twist["outer"]["phase_lag_deg"]
        # The same equations, solved alone or beside another: to the tolerance of the balance.
        assert lag == pytest.approx(alone, abs=1e-6)
