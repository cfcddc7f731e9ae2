"""The files of a case: those that ship, the tables they name, and the standard atmosphere."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pytest
from ambiance import Atmosphere

from flapsim.case import parse_case, read_case
from flapsim.case.atmosphere import standard_atmosphere
from flapsim.case.tables import read_polar, read_samples
from flapsim.cycle.simulate import Cycle, simulate
from flapsim.faults import CaseError, Fault
from flapsim.wing.schedule import evaluate
from flapsim.wing.stroke import PLUNGE_INNER, stroke_schedules

CASES = Path(__file__).parents[1] / "cases"
SHIPPED = sorted(p for p in CASES.glob("*.toml") if "\nbase = " not in p.read_text("utf-8"))
SOUND = (CASES / "glasshouse.toml").read_text(encoding="utf-8")


# --- the cases that ship -----------------------------------------------------------------------


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_a_shipped_case_opens_with_what_it_teaches_what_to_try_and_a_caution(path: Path) -> None:
    opening = path.read_text(encoding="utf-8").partition("\n\n")[0]
    assert all(line.startswith("#") for line in opening.splitlines())
    for words in ("What it teaches:", "What to try:", "Caution:"):
        assert words in opening


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_what_a_shipped_case_suggests_trying_can_be_tried(path: Path) -> None:
    opening = path.read_text(encoding="utf-8").partition("\n\n")[0]
    opening = re.sub(r"\s*\n#\s*", " ", opening)
    suggested = re.findall(r"--set ([a-z_.0-9]+)=(\[[^\]]*\]|[^\s,;:)]+)", opening)
    assert suggested
    case = read_case(path)
    for key, value in suggested:
        new = _plain(value)
        assert case.replace({key: new}).get(key) == new != case.get(key)


def _plain(value: str) -> object:
    if value.startswith("["):
        return tuple(float(item) for item in value[1:-1].split(","))
    try:
        return float(value)
    except ValueError:
        return {"true": True, "false": False}.get(value, value)


def test_the_surveyor_is_the_craft_of_the_description() -> None:
    case = read_case(CASES / "glasshouse.toml")
    assert case.wing.outer is not None
    semispan = case.craft.shoulder_offset_m + case.wing.inner.length_m + case.wing.outer.length_m
    assert 2 * semispan == pytest.approx(1.2, abs=1e-12)
    assert case.craft.mass_kg == 0.24
    assert case.drive is not None
    assert case.drive.balance_spring is not None


@pytest.mark.parametrize("name", ["plunging_wing", "pitching_wing"])
def test_a_textbook_wing_is_ideal_small_and_at_the_reduced_frequency_it_says(name: str) -> None:
    case = read_case(CASES / f"{name}.toml")
    chord = case.get("wing.inner.chord_m.0.1")
    # The file gives the frequency to ten digits.
    reduced = math.pi * case.stroke.frequency_hz * chord / case.flight.airspeed_m_s
    assert reduced == pytest.approx(0.3, rel=1e-9)
    assert case.wing.outer is None
    assert case.wing.section.law == "thin-airfoil"
    assert (case.wing.section.suction, case.wing.section.friction) == (1.0, 0.0)
    assert (case.model.induced, case.model.wake_lag) == ("none", "two-dimensional")


def test_the_linkage_case_swings_by_twenty_degrees_and_comes_down_faster() -> None:
    case = read_case(CASES / "linkage_driven.toml")
    rows, truncation = stroke_schedules(case.stroke, "starboard", case.folder)
    # A phase grid of a quarter degree finds the bottom of a stroke to 0.0007 of the period.
    tau = np.radians(np.arange(0.0, 360.0, 0.25))
    plunge = np.degrees(evaluate(rows[PLUNGE_INNER], tau)[0])
    assert (plunge.max() - plunge.min()) / 2 == pytest.approx(20.0, abs=0.2)
    assert (plunge.max() + plunge.min()) / 2 == pytest.approx(4.0, abs=0.01)
    assert plunge.argmax() == 0
    assert plunge.argmin() / len(tau) == pytest.approx(0.45, abs=0.005)
    assert truncation < 1e-9


# --- what the cases teach ----------------------------------------------------------------------


def flown(name: str, changes: dict[str, object] | None = None) -> Cycle:
    return simulate(read_case(CASES / f"{name}.toml").replace(changes or {}))


def efficiency(cycle: Cycle) -> float:
    return cycle.mean["thrust_n"] * cycle.case.flight.airspeed_m_s / cycle.mean["aero_power_w"]


@pytest.mark.parametrize(
    ("name", "balances_thrust"),
    [("glasshouse", True), ("linkage_driven", True), ("student_flapper", False)],
)
def test_a_shipped_craft_is_near_its_trim(name: str, balances_thrust: bool) -> None:
    # Pinned: the files give speed and pitch to two digits, so the balance is met to a few percent.
    cycle = flown(name)
    weight = cycle.case.craft.mass_kg * 9.80665
    assert cycle.mean["lift_n"] == pytest.approx(weight, rel=0.05)
    if balances_thrust:
        assert cycle.mean["thrust_n"] == pytest.approx(cycle.mean["drag_n"], rel=0.2)


def test_the_plunging_wing_comes_near_garrick_and_wastes_nothing_without_a_wake() -> None:
    # Published: Garrick 1936, 0.713 at k = 0.3. Jones's lag is off by up to 0.013 in the real part
    # of Theodorsen's function, 0.66 here: 2 % of the efficiency.
    assert efficiency(flown("plunging_wing")) == pytest.approx(0.713, abs=0.015)
    # Exact for the model: lift is normal to the local wind, so all work is thrust.
    quasi_steady = flown("plunging_wing", {"model.wake": "quasi-steady"})
    assert efficiency(quasi_steady) == pytest.approx(1.0, abs=1e-9)
    without = flown("plunging_wing", {"wing.section.suction": 0.0})
    assert abs(without.mean["thrust_n"]) < 1e-9


def test_the_pitching_wing_thrusts_only_when_it_is_quick_and_turns_far_ahead() -> None:
    # Published: Garrick 1936, onset at k = 0.95 for the quarter chord, none for the 3/4 chord.
    quick = {"stroke.frequency_hz": 15.92}
    slow = flown("pitching_wing")
    assert slow.mean["thrust_n"] < 0.0
    assert flown("pitching_wing", quick).mean["thrust_n"] > 0.0
    assert flown("pitching_wing", quick | {"wing.twist_axis": 0.75}).mean["thrust_n"] < 0.0
    # Pinned: what leaving out a part of the package does at k = 0.3.
    massless = flown("pitching_wing", {"model.apparent_mass": False})
    assert abs(massless.mean["aero_power_w"]) < 0.01 * slow.mean["aero_power_w"]
    sharp = flown("pitching_wing", {"wing.section.suction": 0.0})
    assert sharp.mean["thrust_n"] / slow.mean["thrust_n"] == pytest.approx(4.5, abs=0.3)


def test_twist_turns_the_braking_plate_of_the_student_into_one_that_thrusts() -> None:
    plate = flown("student_flapper")
    twisted = flown(
        "student_flapper",
        {
            "stroke.inner.twist.tip_amplitude_deg": 20.0,
            "stroke.inner.twist.tip_lag_deg": -90.0,
            "flight.pitch_deg": 4.0,
        },
    )
    assert plate.mean["thrust_n"] < 0.0
    assert 0.2 < plate.check["stalled_fraction"] < 0.35
    assert twisted.mean["thrust_n"] > twisted.mean["drag_n"]
    assert twisted.check["stalled_fraction"] < 0.01
    assert twisted.mean["lift_n"] == pytest.approx(plate.mean["lift_n"], rel=0.05)
    for change in ({"wing.section.suction": 0.8}, {"stroke.frequency_hz": 5.0}):
        assert flown("student_flapper", change).mean["thrust_n"] < 0.0


def test_the_surveyor_needs_its_driven_twist() -> None:
    driven = flown("glasshouse")
    rigid = flown("glasshouse", {"stroke.outer.twist.tip_amplitude_deg": 0.0})
    assert driven.check["stalled_fraction"] < 0.01 < rigid.check["stalled_fraction"]
    assert rigid.mean["aero_power_w"] > 1.5 * driven.mean["aero_power_w"]
    assert rigid.mean["flapping_efficiency"] < 0.6 * driven.mean["flapping_efficiency"]


# --- polars ------------------------------------------------------------------------------------

POLAR = """# a section of nobody's
alpha_deg, cl, cd, cm

-10, -0.9, 0.05, 0.0
# stall not reached
0, 0.1, 0.01, -0.02
10, 1.0, 0.05, -0.02
"""


def written(folder: Path, text: str | bytes, name: str = "table.csv") -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_a_polar_is_read_column_by_column(tmp_path: Path) -> None:
    polar = read_polar(written(tmp_path, POLAR))
    np.testing.assert_array_equal(polar.alpha_deg, [-10.0, 0.0, 10.0])
    np.testing.assert_array_equal(polar.cl, [[-0.9, 0.1, 1.0]])
    np.testing.assert_array_equal(polar.cd, [[0.05, 0.01, 0.05]])
    np.testing.assert_array_equal(polar.cm, [[0.0, -0.02, -0.02]])
    assert polar.reynolds.shape == (1,)
    assert math.isnan(polar.reynolds[0])


def test_a_polar_without_moment_has_none(tmp_path: Path) -> None:
    polar = read_polar(written(tmp_path, "cd,cl,alpha_deg\n0.1,-1,-10\n0.1,1,10\n"))
    np.testing.assert_array_equal(polar.cl, [[-1.0, 1.0]])
    np.testing.assert_array_equal(polar.cm, [[0.0, 0.0]])


def test_blocks_of_reynolds_numbers_are_sorted(tmp_path: Path) -> None:
    rows = [
        f"{reynolds},{alpha},{alpha / 10},{1000 / reynolds}"
        for reynolds in (200000, 50000, 100000)
        for alpha in (-5, 0, 5)
    ]
    polar = read_polar(written(tmp_path, "\n".join(["reynolds,alpha_deg,cl,cd", *rows])))
    np.testing.assert_array_equal(polar.reynolds, [50000.0, 100000.0, 200000.0])
    np.testing.assert_array_equal(polar.cd[:, 0], [0.02, 0.01, 0.005])
    assert polar.cl.shape == (3, 3)


def test_tables_are_shared_and_closed_to_writing(tmp_path: Path) -> None:
    path = written(tmp_path, POLAR)
    polar = read_polar(path)
    assert read_polar(path) is polar
    with pytest.raises(ValueError, match="read-only"):
        polar.cl[0, 0] = 0.0


def test_a_table_that_is_written_again_is_read_again(tmp_path: Path) -> None:
    path = written(tmp_path, POLAR)
    assert read_polar(path).cl[0, 2] == 1.0
    written(tmp_path, POLAR.replace("10, 1.0,", "10, 1.1,"))
    os.utime(path, (1, 1))
    assert read_polar(path).cl[0, 2] == 1.1


HEADER = "alpha_deg,cl,cd\n"
BROKEN_POLARS = {
    "": ("", "a header row naming alpha_deg, cl, cd"),
    "# only a comment\n": ("", "a header row"),
    HEADER: ("", "rows of numbers"),
    "alpha_deg,cl\n-5,0\n5,1\n": ("line 1, cd", "the columns alpha_deg, cl, cd"),
    "alpha,cl,cd\n-5,0,0\n5,1,0\n": ("line 1", "did you mean alpha_deg?"),
    "alpha_deg,cl,cd,cl\n-5,0,0,0\n5,1,0,0\n": ("line 1", "more than once"),
    "alpha_deg;cl;cd\n-5;0;0\n": ("line 1", "cells are separated by commas"),
    "-5,0,0.1\n5,1,0.1\n": ("line 1", "the first row names the columns"),
    HEADER + "-5,0,0.1\n5,one,0.1\n": ("line 3, cl", 'a number, found "one"'),
    HEADER + "-5,0,0.1\n5,,0.1\n": ("line 3, cl", 'a number, found ""'),
    HEADER + "-5,0,0.1\n5,1_0,0.1\n": ("line 3, cl", 'a number, found "1_0"'),
    HEADER + "-5,0,0.1\n5,nan,0.1\n": ("line 3, cl", "a number, found nan"),
    HEADER + "-5,0,0.1\n5,1,inf\n": ("line 3, cd", "a number >= 0, found inf"),
    HEADER + "-5,0,-0.1\n5,1,0.1\n": ("line 2, cd", "a number >= 0"),
    HEADER + "-190,0,0.1\n5,1,0.1\n": ("line 2, alpha_deg", "a number >= -180 and <= 180"),
    HEADER + "-5,0\n5,1,0.1\n": ("line 2", "3 cells, found 2 cells"),
    HEADER + "-5,0,0.1,7\n5,1,0.1\n": ("line 2", "3 cells, found 4 cells"),
    HEADER + '-5,"0,0.1\n5,1,0.1\n': ("line 2", "cells separated by commas"),
    HEADER + "# falls\n-5,0,0.1\n5,1,0.1\n5,1,0.1\n": ("line 5, alpha_deg", "more than 5"),
    HEADER + "-4,0,0.1\n5,1,0.1\n": ("line 2, alpha_deg", "at least 10 deg that includes 0"),
    HEADER + "5,0,0.1\n25,1,0.1\n": ("line 2, alpha_deg", "at least 10 deg that includes 0"),
    "alpha_deg,cl,cd,reynolds\n-5,0,0.1,0\n5,1,0.1,0\n": ("line 2, reynolds", "a number > 0"),
    "alpha_deg,cl,cd,reynolds\n-5,0,0,1e5\n5,1,0,1e5\n-5,0,0,2e5\n6,1,0,2e5\n": (
        "line 4, alpha_deg",
        "the incidences differ from those of the first",
    ),
    "alpha_deg,cl,cd,reynolds\n-5,0,0,1e5\n5,1,0,1e5\n-5,0,0,2e5\n5,1,0,2e5\n"
    "-5,0,0,1e5\n5,1,0,1e5\n": ("line 6, reynolds", "comes again"),
}


def faults_of(read: object) -> tuple[Fault, ...]:
    assert callable(read)
    with pytest.raises(CaseError) as caught:
        read()
    return caught.value.faults


def assert_reported(faults: Iterable[Fault], file: str, key: str, words: str) -> None:
    messages = [str(fault) for fault in faults if fault.key == key]
    assert any(words in message and message.startswith(f"{file}: ") for message in messages), [
        str(fault) for fault in faults
    ]


@pytest.mark.parametrize("text", BROKEN_POLARS, ids=[repr(text)[-40:] for text in BROKEN_POLARS])
def test_a_broken_polar_names_file_and_line(tmp_path: Path, text: str) -> None:
    path = written(tmp_path, text)
    key, words = BROKEN_POLARS[text]
    assert_reported(faults_of(lambda: read_polar(path)), "table.csv", key, words)


def test_a_polar_that_is_no_text_is_a_fault(tmp_path: Path) -> None:
    path = written(tmp_path, b"alpha_deg\xff\x00")
    assert_reported(faults_of(lambda: read_polar(path)), "table.csv", "", "not UTF-8")


def test_a_polar_that_is_missing_is_a_fault(tmp_path: Path) -> None:
    faults = faults_of(lambda: read_polar(tmp_path / "absent.csv"))
    assert_reported(faults, "absent.csv", "", "no such file")


def test_of_many_faults_in_a_table_only_the_first_are_listed(tmp_path: Path) -> None:
    three = written(tmp_path, HEADER + "-5,x,0.1\n5,y,-1\n")
    assert len(faults_of(lambda: read_polar(three))) == 3
    many = written(tmp_path, HEADER + "-5,x,0.1\n" * 1000, "many.csv")
    faults = faults_of(lambda: read_polar(many))
    assert len(faults) == 21
    assert "980 more" in str(faults[-1])


# --- samples -----------------------------------------------------------------------------------


def sampled(column: str, rows: Iterable[tuple[float, float]]) -> str:
    return "\n".join([f"phase_deg,{column}", *(f"{phase},{value}" for phase, value in rows)])


EVEN = [(phase, 20.0 * math.cos(math.radians(phase))) for phase in range(0, 360, 30)]


def test_samples_give_phase_in_radians_and_the_column_as_it_is(tmp_path: Path) -> None:
    phase, value = read_samples(written(tmp_path, sampled("angle_deg", EVEN)), "angle_deg")
    np.testing.assert_allclose(np.degrees(phase), np.arange(0.0, 360.0, 30.0), rtol=1e-14)
    np.testing.assert_array_equal(value, [row[1] for row in EVEN])


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        (sampled("angle_deg", EVEN[:7]), "", "at least 8 rows, found 7 rows"),
        (sampled("angle_deg", [*EVEN, (360.0, 20.0)]), "line 14, phase_deg", "< 360"),
        (sampled("angle_deg", [(-1.0, 0.0), *EVEN]), "line 2, phase_deg", ">= 0"),
        (sampled("angle_deg", [*EVEN, (330.0, 20.0)]), "line 14, phase_deg", "more than 330"),
        (sampled("angle_deg", [*EVEN[:-1], (330.0, 200.0)]), "line 13, angle_deg", "<= 180"),
        (sampled("height_m", EVEN), "line 1, angle_deg", "the columns phase_deg, angle_deg"),
        (sampled("angle_deg", EVEN) + "\n,", "line 14, phase_deg", "a number"),
    ],
    ids=["few", "turn", "negative", "repeated", "absurd", "column", "empty"],
)
def test_broken_samples_name_file_and_line(tmp_path: Path, text: str, key: str, words: str) -> None:
    path = written(tmp_path, text)
    assert_reported(faults_of(lambda: read_samples(path, "angle_deg")), "table.csv", key, words)


# --- tables that a case names ------------------------------------------------------------------

INNER = "plunge = { mean_deg = 4.0, amplitude_deg = 20.4 }"


def test_a_case_names_its_tables_relative_to_itself(tmp_path: Path) -> None:
    (tmp_path / "tables").mkdir()
    written(tmp_path / "tables", sampled("angle_deg", EVEN), "plunge.csv")
    written(tmp_path / "tables", sampled("height_m", [(p, v / 1e3) for p, v in EVEN]), "heave.csv")
    written(tmp_path / "tables", POLAR, "section.csv")
    text = SOUND.replace(INNER, 'plunge = { shape = "samples", file = "tables/plunge.csv" }')
    text = text.replace('law = "thin-plate"', 'law = "polar", file = "tables/section.csv"')
    heave = 'plane_deg = 0.0\nheave = { shape = "samples", file = "tables/heave.csv" }'
    text = text.replace("plane_deg = 0.0", heave)
    case = read_case(written(tmp_path, text, "sampled.toml"))
    assert case.stroke.inner.plunge.file == "tables/plunge.csv"
    assert case.replace({"stroke.frequency_hz": 3.0}).folder == tmp_path
    assert parse_case(case.to_toml(), tmp_path) == case


def test_faults_of_a_table_are_reported_with_those_of_the_case(tmp_path: Path) -> None:
    written(tmp_path, sampled("angle_deg", [*EVEN[:-1], (330.0, math.nan)]), "plunge.csv")
    text = SOUND.replace(INNER, 'plunge = { shape = "samples", file = "plunge.csv" }')
    text = text.replace("frequency_hz = 2.8", "frequency_hz = -1")
    path = written(tmp_path, text, "sampled.toml")
    faults = faults_of(lambda: read_case(path))
    assert_reported(faults, "plunge.csv", "line 13, angle_deg", "found nan")
    assert_reported(
        faults, "plunge.csv", "line 13, angle_deg", "stroke.inner.plunge.file in sampled.toml"
    )
    assert_reported(faults, "sampled.toml", "stroke.frequency_hz", "found -1")
    assert len(faults) == 2


def test_a_misspelt_table_is_answered_with_the_nearest_file(tmp_path: Path) -> None:
    written(tmp_path, POLAR, "section.csv")
    text = SOUND.replace('law = "thin-plate"', 'law = "polar", file = "sektion.csv"')
    path = written(tmp_path, text, "polar.toml")
    (fault,) = faults_of(lambda: read_case(path))
    assert fault.key == "wing.section.file"
    assert 'did you mean "section.csv"?' in fault.hint


@pytest.mark.parametrize("name", ["x" * 5000, "..", "no/such/folder.csv"])
def test_a_table_name_that_leads_to_no_file_is_a_fault(tmp_path: Path, name: str) -> None:
    text = SOUND.replace('law = "thin-plate"', f'law = "polar", file = "{name}"')
    (fault,) = faults_of(lambda: parse_case(text, tmp_path, "polar.toml"))
    assert fault.key == "wing.section.file"


def test_a_case_that_is_only_looked_at_does_not_need_its_tables(tmp_path: Path) -> None:
    text = SOUND.replace('law = "thin-plate"', 'law = "polar", file = "gone.csv"')
    assert parse_case(text, tmp_path, check_files=False).wing.section.file == "gone.csv"
    with pytest.raises(CaseError, match=r"gone\.csv"):
        parse_case(text, tmp_path)


# --- standard atmosphere -----------------------------------------------------------------------


@pytest.mark.parametrize("altitude", [-1000.0, 0.0, 500.0, 3000.0, 10999.0, 11100.0, 20000.0])
def test_the_standard_atmosphere_is_that_of_another_library(altitude: float) -> None:
    air, other = standard_atmosphere(altitude), Atmosphere(altitude)
    # Both follow the same equations; the other library starts each layer from tabulated pressures
    # and a gas constant rounded to eight digits, which moves the density by up to 4e-6.
    assert air.temperature == pytest.approx(other.temperature[0], rel=1e-12)
    assert air.density == pytest.approx(other.density[0], rel=1e-5)
    assert air.kinematic_viscosity == pytest.approx(other.kinematic_viscosity[0], rel=1e-5)


@pytest.mark.parametrize(
    ("altitude", "temperature", "density", "viscosity"),
    [
        (0.0, 288.150, 1.2250, 1.4607e-5),
        (1000.0, 281.651, 1.1117, 1.5813e-5),
        (5000.0, 255.676, 0.73643, 2.2110e-5),
        (10000.0, 223.252, 0.41351, 3.5251e-5),
        (15000.0, 216.650, 0.19476, 7.2995e-5),
        (20000.0, 216.650, 0.088910, 1.5989e-4),
    ],
)
def test_the_standard_atmosphere_is_the_published_table(
    altitude: float, temperature: float, density: float, viscosity: float
) -> None:
    # U.S. Standard Atmosphere (1976), tables by geometric altitude; values from memory. The table
    # has five significant digits, the last one rounded: 0.5 in 10000 at worst.
    air = standard_atmosphere(altitude)
    assert air.temperature == pytest.approx(temperature, abs=0.0006)
    assert air.density == pytest.approx(density, rel=5e-5)
    assert air.kinematic_viscosity == pytest.approx(viscosity, rel=5e-5)


def test_a_given_temperature_changes_the_density_at_constant_pressure() -> None:
    standard, warm = standard_atmosphere(1000.0), standard_atmosphere(1000.0, 30.0)
    assert warm.pressure == standard.pressure
    assert warm.temperature == 303.15
    assert warm.density * warm.temperature == pytest.approx(
        standard.density * standard.temperature, rel=1e-14
    )


def test_the_atmosphere_is_continuous_at_the_tropopause() -> None:
    # Geopotential 11 km is 11019.07 m geometric; over 0.2 m the density falls by 3e-5.
    below, above = standard_atmosphere(11018.97), standard_atmosphere(11019.17)
    assert 0.0 < 1.0 - above.density / below.density < 5e-5
