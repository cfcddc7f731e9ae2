"""The commands drive and loads, and their pictures: answers, refusals with words, exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import flapsim
from flapsim.cli.main import main
from flapsim.flight.loads import span_loads
from flapsim.flight.power_chain import power_chain
from flapsim.show.drive_panels import draw_chain, draw_loads

CASES = Path(__file__).parent.parent / "cases"
GLASSHOUSE = str(CASES / "glasshouse.toml")
STUDENT = str(CASES / "student_flapper.toml")


@pytest.fixture(scope="module")
def cycle():
    return flapsim.simulate(flapsim.read_case(GLASSHOUSE))


def run(capsys, *arguments):
    try:
        code = main(list(arguments))
    except SystemExit as leave:
        code = leave.code
    return code, *capsys.readouterr()


def document(capsys, *arguments):
    code, out, _ = run(capsys, *arguments, "--json")
    assert code == 0
    return json.loads(out)


def test_drive_names_every_watt_and_they_close(capsys, cycle):
    told = document(capsys, "drive", GLASSHOUSE)
    # Sums of means of 128 numbers, held to their rounding.
    assert told["check"]["drive_balance"] < 1e-12
    assert told["mean"]["aero_power_w"] == pytest.approx(cycle.mean["aero_power_w"])
    assert [link["power_w"] for link in told["links"]] == pytest.approx(
        [link.power for link in power_chain(cycle).links]
    )
    assert told["best_spring"]["motor_power_w"] < told["mean"]["motor_power_w"]
    assert 0.0 < told["uneven_crank"]["fluctuation"] < 1.0


def test_drive_prints_each_efficiency_by_its_name_within_80_columns(capsys):
    code, out, _ = run(capsys, "drive", GLASSHOUSE, "--size")
    assert code == 0
    for name in ("drive", "aerodynamic", "total", "motor", "propulsive", "flapping"):
        assert f"{name} efficiency" in out
    for words in ("winding", "gear friction", "Balance spring", "invented", "nearest limit"):
        assert words in out
    assert max(len(line) for line in out.splitlines()) <= 80


def test_drive_chooses_the_least_power_first(capsys):
    told = document(capsys, "drive", GLASSHOUSE, "--size", "--keep-spring")
    powers = [one["electrical_power_w"] for one in told["sized"]]
    assert powers == sorted(powers)
    assert all(one["spring_moment_n_m"] == 0.79 for one in told["sized"])


def test_a_battery_that_cannot_give_the_power_is_told_in_words_and_null(capsys):
    weak = ("drive", GLASSHOUSE, "--set", "drive.battery.resistance_ohm=5")
    told = document(capsys, *weak)
    assert told["mean"]["electrical_power_w"] is None
    assert "cannot deliver" in " ".join(told["notes"])
    code, _, error = run(capsys, *weak, "--size")
    assert code == 3
    assert "battery of more cells" in error


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("drive", STUDENT), "drive: missing"),
        (("drive", GLASSHOUSE, "--keep-spring"), "need --size"),
        (("drive", GLASSHOUSE, "--size", "--motors", "none.csv"), "no such file"),
        (("drive", GLASSHOUSE, "-o", "watts.txt"), "should end in .png"),
        (("loads", GLASSHOUSE, "--tube", "0,3"), "found 0,3"),
        (("loads", GLASSHOUSE, "--tube", "1,2,3"), "one or two lengths"),
        (("loads", GLASSHOUSE, "--tube", "5", "--wall", "9"), "half the diameter"),
        (("loads", GLASSHOUSE, "--wall", "1"), "--wall needs --tube"),
        (("loads", GLASSHOUSE, "--modulus", "-3"), "positive number"),
        (("loads", STUDENT, "--tube", "4,3"), "1 segments"),
    ],
)
def test_wrong_input_ends_with_code_2_and_words(capsys, arguments, words):
    code, out, error = run(capsys, *arguments)
    assert code == 2
    assert out == ""
    assert words in error


def test_loads_tell_hinges_spars_and_crank(capsys, cycle):
    told = document(capsys, "loads", GLASSHOUSE, "--tube", "6,5", "--wall", "0.5", "--crank", "12")
    loads = span_loads(cycle)
    assert told["hinges"]["shoulder"]["flap_bending_n_m"]["most"] == pytest.approx(
        loads.shoulder.plunge_moment.max()
    )
    assert told["hinge_force_peak_n"]["wrist"] == pytest.approx(
        np.linalg.norm(loads.wrist.force, axis=0).max()
    )
    assert told["spars"]["outer"]["diameter_m"] == pytest.approx(0.005)
    assert told["crank"]["tangential_force_n"] == pytest.approx(
        told["crank"]["crank_torque_peak_n_m"] / 0.012
    )
    assert told["crank"]["rod_force_n"] is None
    # Exact: 2.8 strokes a second.
    assert told["cycles_per_hour"] == pytest.approx(10080.0)


def test_a_soft_spar_is_flagged_where_it_bends_beyond_a_tenth_of_the_semispan(capsys):
    told = document(capsys, "loads", GLASSHOUSE, "--tube", "3", "--modulus", "20")
    assert told["tip_deflection_of_semispan"] > 0.1
    assert "not rigid" in " ".join(told["notes"])


def test_loads_print_within_80_columns(capsys):
    code, out, _ = run(capsys, "loads", STUDENT)
    assert code == 0
    assert "common practice, no source" in out
    assert "wrist" not in out
    assert max(len(line) for line in out.splitlines()) <= 80


def test_loads_of_unequal_halves_say_whose_they_are(capsys, tmp_path):
    text = Path(STUDENT).read_text()
    case = tmp_path / "uneven.toml"
    case.write_text(text + "\n[stroke.port.inner]\nplunge = { amplitude_deg = 10.0 }\n")
    assert "starboard" in " ".join(document(capsys, "loads", str(case))["notes"])


def test_pictures_name_what_they_show(tmp_path, cycle):
    draw_chain(cycle, power_chain(cycle), tmp_path / "watts.svg")
    draw_loads(cycle, span_loads(cycle), tmp_path / "loads.svg")
    # Text in an SVG is drawn as outlines; matplotlib keeps the words beside them as comments.
    watts, loads = ((tmp_path / f"{name}.svg").read_text() for name in ("watts", "loads"))
    for words in ("winding", "gear friction", "thrust × airspeed", "mean power (W)"):
        assert f"<!-- {words} -->" in watts
    for words in ("Torsion: range, mean and 8 instants", "shoulder", "wrist", "downstroke"):
        assert f"<!-- {words} -->" in loads


def test_a_chain_without_a_value_is_drawn_all_the_same(tmp_path):
    case = flapsim.read_case(GLASSHOUSE).replace({"drive.battery.resistance_ohm": 5.0})
    cycle = flapsim.simulate(case)
    draw_chain(cycle, power_chain(cycle), tmp_path / "watts.svg")
    assert "no value" in (tmp_path / "watts.svg").read_text()


def test_the_command_line_writes_the_pictures(capsys, tmp_path):
    for command in ("drive", "loads"):
        picture = tmp_path / f"{command}.png"
        code, _, error = run(capsys, command, GLASSHOUSE, "-o", str(picture))
        assert code == 0
        assert f"wrote {picture}" in error
        assert picture.read_bytes().startswith(b"\x89PNG")
        assert np.frombuffer(picture.read_bytes()[16:24], ">u4").min() > 500
