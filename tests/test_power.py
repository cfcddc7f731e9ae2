"""Power curves: named points, limits of the power there is, endurance, files and pictures."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import xarray

from flapsim.case import Case, read_case
from flapsim.cli.main import main
from flapsim.cycle.simulate import simulate
from flapsim.drive.limits import LIMITS
from flapsim.faults import CaseError
from flapsim.flight.curve_points import AVAILABLE as AVAILABLE_POWER
from flapsim.flight.curve_points import STROKE
from flapsim.flight.drive_power import watts
from flapsim.flight.files import write_power_curve
from flapsim.flight.power_curve import (
    USABLE_CAPACITY,
    PowerCurve,
    default_free,
    plain_curve,
    power_curve,
)
from flapsim.flight.trim import trim
from flapsim.show.power_curve import draw_power_curve
from validation.sane_craft import PLUNGES
from validation.trim_power import CASES

GLASSHOUSE = str(CASES / "glasshouse.toml")
SPEEDS = np.linspace(3.0, 9.0, 13)
AVAILABLE = 12.0
"""W electrical: enough for level flight at 8 m/s, too little for 9."""


@pytest.fixture(scope="module")
def glasshouse() -> Case:
    return read_case(GLASSHOUSE).replace({"model.steps": 48})


@pytest.fixture(scope="module")
def curve(glasshouse: Case) -> PowerCurve:
    return power_curve(glasshouse, SPEEDS, available_w=AVAILABLE)


def test_every_point_is_the_trim_of_its_own(glasshouse: Case, curve: PowerCurve) -> None:
    at = int(np.searchsorted(SPEEDS, 6.0))
    one = trim(glasshouse.replace({"flight.airspeed_m_s": 6.0}), default_free(glasshouse))
    assert curve.trimmed.results["mean.aero_power_w"][at] == pytest.approx(
        one.cycle.mean["aero_power_w"], rel=1e-7
    )
    assert curve.power_w[at] == pytest.approx(one.watts["electrical_power_w"], rel=1e-7)


def test_refused_speeds_have_no_power_and_a_reason(curve: PowerCurve) -> None:
    slow = SPEEDS < 3.4
    assert np.isnan(curve.power_w[slow]).all()
    assert np.isnan(curve.range_m[slow]).all()
    assert any(note.startswith("No trim at flight.airspeed_m_s = 3") for note in curve.notes)


@pytest.mark.parametrize("name", ["minimum_power", "best_range"])
def test_named_speeds_are_least_among_their_neighbours(
    glasshouse: Case, curve: PowerCurve, name: str
) -> None:
    point = curve.points[name]

    def cost(speed: float) -> float:
        here = glasshouse.replace({"flight.airspeed_m_s": speed})
        power = trim(here, default_free(here)).watts["electrical_power_w"]
        return power / speed if name == "best_range" else power

    assert not point.at_end
    # The parabola through points a sixteenth of the spacing apart: a thousandth of a speed.
    best = cost(point.value)
    assert best <= min(cost(0.98 * point.value), cost(1.02 * point.value)) * (1.0 + 1e-6)


def test_the_best_range_lies_beyond_the_least_power(curve: PowerCurve) -> None:
    assert curve.points["best_range"].value > curve.points["minimum_power"].value


def test_top_speed_takes_the_power_there_is(glasshouse: Case, curve: PowerCurve) -> None:
    top = curve.points["top_speed"]
    assert not top.at_end
    here = glasshouse.replace({"flight.airspeed_m_s": top.value})
    # Linear between points an eighth of the spacing apart.
    assert trim(here, default_free(here)).watts["electrical_power_w"] == pytest.approx(
        AVAILABLE, rel=1e-3
    )


def test_the_steepest_climb_takes_the_power_there_is(glasshouse: Case, curve: PowerCurve) -> None:
    at = int(np.searchsorted(SPEEDS, 7.0))
    climbing = glasshouse.replace(
        {"flight.airspeed_m_s": 7.0, "flight.climb_deg": float(curve.climb_deg[at])}
    )
    taken = trim(climbing, default_free(glasshouse)).watts["electrical_power_w"]
    # Nine halvings of 60 deg leave 0.12 deg, some 0.15 W here, on the safe side.
    assert AVAILABLE - 0.3 < taken <= AVAILABLE
    assert np.isnan(curve.climb_deg[curve.points["top_speed"].value < SPEEDS]).all()


# --- what the drive can give --------------------------------------------------------------------


def geared(case: Case, ratio: float, **others: float) -> Case:
    """The craft with another gear and other limits of its motor."""
    return case.replace({"drive.gear_ratio": ratio} | others)


def test_top_speed_ends_where_the_motor_needs_all_the_volts_there_are(glasshouse: Case) -> None:
    fast = power_curve(glasshouse, np.linspace(5.0, 10.0, 6))
    top = fast.points["top_speed"]
    assert top.limit == LIMITS["voltage_used"]
    assert not top.at_end
    here = glasshouse.replace({"flight.airspeed_m_s": top.value})
    taken = trim(here, default_free(here)).watts
    # Linear between points an eighth of the spacing apart.
    assert taken["voltage_used"] == pytest.approx(1.0, rel=1e-3)
    assert taken["electrical_power_w"] < fast.available_w
    beyond = fast.trimmed.trimmed & (SPEEDS[-1] < fast.values)
    assert beyond.any()
    assert not fast.given[beyond].any()
    assert np.isnan(fast.endurance_s[beyond]).all()
    assert np.isfinite(fast.power_w[beyond]).all()
    assert any("voltage of the battery under load" in note for note in fast.notes)


def test_the_limit_that_binds_is_the_one_named(glasshouse: Case) -> None:
    speeds = np.linspace(5.0, 9.5, 4)
    for case, available, name in (
        (glasshouse, 12.0, AVAILABLE_POWER),
        (geared(glasshouse, 35.0, **{"drive.motor.peak_current_a": 3.0}), None,
         LIMITS["peak_current_used"]),
        (geared(glasshouse, 35.0, **{"drive.motor.continuous_current_a": 1.5}), None,
         LIMITS["continuous_current_used"]),
        (geared(glasshouse, 50.0, **{"drive.battery.voltage_v": 22.2}), 200.0, ""),
    ):  # fmt: skip
        curve = power_curve(case, speeds, available_w=available)
        top = curve.points["top_speed"]
        assert top.limit == name
        assert np.isfinite(top.value)
        assert top.at_end == (name == "")


def test_the_steepest_climb_keeps_every_limit_and_names_the_one_in_the_way(
    glasshouse: Case,
) -> None:
    curve = power_curve(glasshouse, np.array([4.0, 5.5, 7.0]))
    assert curve.climb_limit[1] == LIMITS["voltage_used"]
    climbing = glasshouse.replace(
        {"flight.airspeed_m_s": 5.5, "flight.climb_deg": float(curve.climb_deg[1])}
    )
    # Nine halvings of 60 deg leave 0.12 deg, less than half a per cent of the volts.
    used = trim(climbing, default_free(glasshouse)).watts["voltage_used"]
    assert 0.995 < used <= 1.0
    # The slowest one is stopped by its stroke: a climb steeper than what trims there.
    assert curve.climb_limit[0] == STROKE


def test_a_drive_that_can_give_nothing_leaves_no_named_point(glasshouse: Case) -> None:
    curve = power_curve(geared(glasshouse, 70.0), np.array([4.5, 5.0, 6.0]))
    assert curve.trimmed.trimmed.all()
    assert not curve.given.any()
    assert set(curve.points) == {"top_speed"}
    assert np.isnan(curve.points["top_speed"].value)
    assert np.isnan(curve.climb_deg).all()
    assert np.isfinite(curve.power_w).all()
    told = " ".join(curve.notes)
    assert "The drive cannot deliver flight.airspeed_m_s = 4.5 to 6" in told
    assert "no point stays within the limits" in told


def test_watts_of_a_curve_are_those_of_a_run_to_the_order_of_its_sums(
    glasshouse: Case, curve: PowerCurve
) -> None:
    at = int(np.searchsorted(SPEEDS, 5.0))
    here = glasshouse.replace({key: float(v[at]) for key, v in curve.trimmed.solution.items()})
    single = watts(simulate(here))
    for name, values in curve.watts.items():
        # A run of one design sums its 48 steps in pairs, a batch one after the other.
        assert values[at] == pytest.approx(single[name], rel=1e-13, nan_ok=True), name


def test_endurance_is_capacity_over_current_and_range_is_speed_times_it(
    glasshouse: Case, curve: PowerCurve
) -> None:
    assert glasshouse.drive is not None
    at = int(np.searchsorted(SPEEDS, 5.0))
    case = glasshouse.replace({key: float(v[at]) for key, v in curve.trimmed.solution.items()})
    current = watts(simulate(case))["battery_current_a"]
    hours = USABLE_CAPACITY * glasshouse.drive.battery.capacity_ah / current
    assert curve.endurance_s[at] == pytest.approx(3600.0 * hours, rel=1e-9)
    assert curve.range_m[at] == pytest.approx(5.0 * 3600.0 * hours, rel=1e-9)


def test_without_a_drive_the_curve_is_of_aerodynamic_power(glasshouse: Case) -> None:
    bare = power_curve(glasshouse.replace({"drive": None}), np.linspace(4.5, 6.5, 5))
    assert bare.power_kind == "aerodynamic"
    assert np.isnan(bare.endurance_s).all()
    assert np.isnan(bare.climb_deg).all()
    assert np.array_equal(bare.power_w, bare.trimmed.results["mean.aero_power_w"])


def test_a_heavier_craft_takes_more_until_it_no_longer_flies(glasshouse: Case) -> None:
    heavy = power_curve(glasshouse, np.linspace(0.2, 0.6, 9), "craft.mass_kg")
    known = heavy.power_w[heavy.trimmed.trimmed]
    assert np.all(np.diff(known) > 0.0)
    assert 0.4 < heavy.points["most"].value < 0.6


def test_climbing_takes_weight_times_rate_more_at_least(glasshouse: Case) -> None:
    climbs = np.array([0.0, 3.0, 6.0])
    steep = power_curve(glasshouse.replace({"drive": None}), climbs, "flight.climb_deg")
    rate = 5.0 * np.sin(np.radians(climbs))
    lifted = glasshouse.craft.mass_kg * 9.80665 * rate
    assert np.all(np.diff(steep.power_w) > np.diff(lifted))


@pytest.mark.parametrize(
    ("values", "key", "words"),
    [
        ([4.0, 5.0], "flight.airspeed_m_s", "at least 3 increasing"),
        ([5.0, 4.0, 6.0], "flight.airspeed_m_s", "at least 3 increasing"),
        ([1.0, 2.0, 3.0], "flight.pitch_deg", "either swept or free"),
        ([1.0, 2.0, 3.0], "flight.speed", "no such key"),
        ([1.0, 2.0, 3.0], "wing.section.law", "a key that holds a number"),
        ([-1.0, 2.0, 3.0], "flight.airspeed_m_s", ">= 0"),
    ],
)
def test_faults_of_the_question_are_reported(
    glasshouse: Case, values: list[float], key: str, words: str
) -> None:
    with pytest.raises(CaseError, match=words):
        power_curve(glasshouse, values, key)


def test_free_by_default_are_pitch_and_whatever_plunges(glasshouse: Case) -> None:
    assert default_free(glasshouse) == ("flight.pitch_deg", PLUNGES)
    flapper = read_case(CASES / "student_flapper.toml")
    assert default_free(flapper)[1] == "stroke.inner.plunge.amplitude_deg"
    driven = read_case(CASES / "linkage_driven.toml")
    assert default_free(driven)[1] == "stroke.outer.plunge.amplitude_deg"


def test_a_stored_curve_opens_with_its_axis_and_units(curve: PowerCurve, tmp_path: Path) -> None:
    path = tmp_path / "curve.h5"
    write_power_curve(curve, path)
    with xarray.open_dataset(path, engine="h5netcdf") as data:
        power = data["mean.electrical_power_w"]
        assert power.dims == ("flight.airspeed_m_s",)
        assert power.attrs["units"] == "W"
        assert data["flight.airspeed_m_s"].attrs["units"] == "m s-1"
        assert data["solution.flight.pitch_deg"].attrs["units"] == "degree"
        assert np.array_equal(data["flight.airspeed_m_s"], SPEEDS)
        assert np.array_equal(data["status"], curve.trimmed.status)
        assert data.attrs["points.best_range.value"] == curve.points["best_range"].value
        assert np.array_equal(data["used"], curve.used)
        limits = data.attrs["limits"].split("; ")
        assert [limits[at] for at in data["limit"].values] == list(curve.limit)
        assert all("long_name" in variable.attrs for variable in data.variables.values())


def test_a_figure_names_limits_and_points(glasshouse: Case, tmp_path: Path) -> None:
    path = tmp_path / "curve.svg"
    draw_power_curve(power_curve(glasshouse, np.linspace(3.0, 10.0, 8)), path)
    # Text in an SVG is drawn as outlines; matplotlib keeps the words beside them as comments.
    drawn = path.read_text()
    for words in ("no trim", "beyond drive", "limit: voltage", "top speed", "airspeed (m/s)"):
        assert f"<!-- {words} -->" in drawn


def test_numbers_without_a_meaning_are_null_in_json(curve: PowerCurve) -> None:
    document = json.loads(json.dumps(plain_curve(curve), allow_nan=False))
    assert document["mean"]["electrical_power_w"][0] is None
    assert document["status"][0] == "no_balance"
    assert document["status"][-1] == "trimmed"


def test_the_command_line_writes_file_and_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stored, drawn = tmp_path / "p.h5", tmp_path / "p.svg"
    code = main(
        ["power", GLASSHOUSE, "--speeds", "4:6:3", "--set", "model.steps=48",
         "-o", str(stored), "--figure", str(drawn)]
    )  # fmt: skip
    out = capsys.readouterr().out
    assert code == 0
    assert stored.is_file()
    assert drawn.is_file()
    assert "best range" in out


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["--speeds", "4:6"],
        ["--speeds", "6:4:5"],
        ["--speeds", "4:6:2"],
        ["--speeds", "4:inf:5"],
        ["--speeds", "4:6:3", "--masses", "1:2:3"],
        ["--speeds", "4:6:3", "--figure", "power.txt"],
    ],
)
def test_the_command_line_tells_faults(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    try:
        code = main(["power", GLASSHOUSE, *arguments])
    except SystemExit as left:
        code = int(left.code or 0)
    assert code == 2
    assert capsys.readouterr().out == ""


def test_a_craft_that_nowhere_trims_is_no_answer(capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["power", str(CASES / "student_flapper.toml"), "--speeds", "4:8:3",
                 "--set", "model.steps=32"])  # fmt: skip
    assert code == 3
    assert "No trim at flight.airspeed_m_s = 4 to 8" in capsys.readouterr().err
