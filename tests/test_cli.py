"""The command line: output, messages and exit codes."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import h5py
import pytest

from flapsim.cli.main import main
from flapsim.show.kinds import KINDS

PROJECT = Path(__file__).parents[1]
GLASSHOUSE = PROJECT / "cases" / "glasshouse.toml"

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def flapsim(capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs the command line in this process: (exit code, standard output, standard error)."""

    def run(*arguments: object) -> tuple[int, str, str]:
        try:
            code = main([str(argument) for argument in arguments])
        except SystemExit as leave:  # how argparse ends after --help or a wrong argument
            code = leave.code
        return code, *capsys.readouterr()

    return run


@pytest.fixture
def glasshouse(tmp_path: Path) -> Path:
    """A copy of the example case that a test may change."""
    return Path(shutil.copy(GLASSHOUSE, tmp_path))


def edited(case: Path, old: str, new: str) -> Path:
    text = case.read_text()
    assert text.count(old) >= 1, f"the example no longer holds {old!r}"
    case.write_text(text.replace(old, new, 1))
    return case


# --- faults of the input -----------------------------------------------------------------------

# Text of the example, its replacement, and the key that the message must name.
BROKEN_BY_HAND = [
    ("frequency_hz = 2.8", "frequency_hz = -2.8", "stroke.frequency_hz"),
    ("frequency_hz = 2.8", "frequency_hz = 0", "stroke.frequency_hz"),
    ("frequency_hz = 2.8", 'frequency_hz = "2.8"', "stroke.frequency_hz"),
    ("frequency_hz = 2.8", "frequency_hz = nan", "stroke.frequency_hz"),
    ("frequency_hz = 2.8", "frequency_hz = inf", "stroke.frequency_hz"),
    ("frequency_hz = 2.8", "frequency_hz = true", "stroke.frequency_hz"),
    ("frequency_hz = 2.8", "frequency_hz = [2.8]", "stroke.frequency_hz"),
    ("frequency_hz = 2.8", "frequncy_hz = 2.8", "stroke.frequncy_hz"),
    ("frequency_hz = 2.8", "", "stroke.frequency_hz"),
    ("frequency_hz = 2.8", "frequency_hz = 2.8\nfrequency_hz = 3.0", "line"),
    ("frequency_hz = 2.8", "frequency_hz =", "line"),
    ("frequency_hz = 2.8", "frequency_hz = 2,8", "line"),
    ("frequency_hz = 2.8", "frequency_hz = 2026-01-01", "stroke.frequency_hz"),
    ("title =", "tilte =", "title"),
    ("mass_kg = 0.24", "mass_kg = -0.24", "craft.mass_kg"),
    ("mass_kg = 0.24", "mass_g = 240.0", "craft.mass_g"),
    ("centre_of_mass_m = [0.077, 0.0, 0.0]", "centre_of_mass_m = [0.077, 0.0]", "craft.centre_of"),
    ("centre_of_mass_m = [0.077, 0.0, 0.0]", "centre_of_mass_m = 0.077", "craft.centre_of_mass_m"),
    ("shoulder_offset_m = 0.04", "shoulder_offset_m = -1", "craft.shoulder_offset_m"),
    ("body_drag_area_m2 = 0.006", "body_drag_area_m2 = -6", "craft.body_drag_area_m2"),
    ("density_kg_m3 = 1.225", "density_kg_m3 = 0", "air.density_kg_m3"),
    ("density_kg_m3 = 1.225", "density_kg_m3 = 1.225\naltitude_m = 100", "altitude_m, not both"),
    ("density_kg_m3 = 1.225", "", "air.density_kg_m3"),
    ("airspeed_m_s = 5.0", "airspeed_m_s = -5.0", "flight.airspeed_m_s"),
    ("airspeed_m_s = 5.0", "airspeed_km_h = 18", "flight.airspeed_km_h"),
    ("pitch_deg = 3.8", 'pitch_deg = "nose up"', "flight.pitch_deg"),
    ("[flight]", "[fligth]", "fligth"),
    ("[flight]", "[wing]\n[flight]", "line"),
    ("twist_axis = 0.20", "twist_axis = 20", "wing.twist_axis"),
    ('law = "thin-plate"', 'law = "thin-plat"', "wing.section.law"),
    ('law = "thin-plate"', "law = 3", "wing.section.law"),
    ('law = "thin-plate"', 'law = "polar"', "wing.section.file"),
    ('law = "thin-plate"', 'law = "polar", file = "nowhere.csv"', "wing.section.file"),
    ('law = "thin-plate"', 'law = "thin-plate", file = "plate.csv"', "wing.section.file"),
    ("suction = 0.8", "suction = 1.8", "wing.section.suction"),
    ("stall_deg = 12.0", "stall_deg = 2.0", "wing.section.stall_deg"),
    ("stall_deg = 12.0", "stall_deg = 89.0", "wing.section.stall_deg"),
    ('friction = "turbulent"', 'friction = "rough"', "wing.section.friction"),
    ('friction = "turbulent"', "friction = -0.01", "wing.section.friction"),
    ("friction_factor = 1.6", "friction_factor = -1.6", "wing.section.friction_factor"),
    ("length_m = 0.22", "length_m = 0.0", "wing.inner.length_m"),
    ("chord_m = [[0.0, 0.28], [1.0, 0.27]]", "chord_m = 0.28", "wing.inner.chord_m"),
    ("chord_m = [[0.0, 0.28], [1.0, 0.27]]", "chord_m = [[0, 0.28]]", "wing.inner.chord_m"),
    ("[[0.0, 0.28], [1.0, 0.27]]", "[[0.0, 0.28], [0.9, 0.27]]", "wing.inner.chord_m.1.0"),
    ("[[0.0, 0.28], [1.0, 0.27]]", "[[0.1, 0.28], [1.0, 0.27]]", "wing.inner.chord_m.0.0"),
    ("[[0.0, 0.28], [1.0, 0.27]]", "[[0.0, -0.28], [1.0, 0.27]]", "wing.inner.chord_m.0.1"),
    ("[0.5, 0.2445]", "[0.2, 0.2445]", "wing.outer.chord_m"),
    ("[0.5, 0.2445]", "[0.5, 0.2445, 1]", "wing.outer.chord_m.2"),
    ("strips = 12", "strips = 1", "wing.inner.strips"),
    ("strips = 12", "strips = 12.5", "wing.inner.strips"),
    ("strips = 12", "strips = 100000", "wing.inner.strips"),
    ("skin_kg_m2 = 0.15", "skin_kg_m2 = -0.15", "wing.inner.skin_kg_m2"),
    ("amplitude_deg = 20.4 }", "amplitude_deg = 20.4, shape = 'fourier' }", "stroke.inner.plunge"),
    ("amplitude_deg = 20.4 }", "amplitude_deg = 20.4, shape = 'square' }", "stroke.inner.plunge"),
    ("amplitude_deg = 20.4 }", "amplitude_deg = 720.0 }", "stroke.inner.plunge.amplitude_deg"),
    (
        "amplitude_deg = 20.4 }",
        "shape = 'quick-return', amplitude_deg = 20.4, downstroke_fraction = 0.95 }",
        "stroke.inner.plunge.downstroke_fraction",
    ),
    (
        "plunge = { mean_deg = 4.0, amplitude_deg = 20.4 }",
        "plunge = { shape = 'samples', file = 'nowhere.csv' }",
        "stroke.inner.plunge.file",
    ),
    (
        "plunge = { mean_deg = 4.0, amplitude_deg = 20.4 }",
        "plunge = { shape = 'linkage', crank_m = 0.05, rocker_m = 0.02, coupler_m = 0.1, "
        "base_m = 0.1 }",
        "stroke.inner.plunge",
    ),
    (
        "plunge = { mean_deg = 4.0, amplitude_deg = 20.4 }",
        "plunge = { shape = 'linkage', crank_m = 0.01 }",
        "stroke.inner.plunge.rocker_m",
    ),
    ("tip_lag_deg = -72.0", "tip_lag = -72.0", "stroke.inner.twist.tip_lag"),
    ('mode = "driven"', 'mode = "servo"', "stroke.outer.twist.bandwidth_hz"),
    ('mode = "driven"', 'mode = "driven", stiffness_n_m_rad = 1.0', "stroke.outer.twist.stiffness"),
    ('induced = "lifting-line"', 'induced = "vortex"', "model.induced"),
    ("steps = 128", "steps = 127", "model.steps"),
    ("steps = 128", "steps = 8", "model.steps"),
    ("steps = 128", "steps = 128\nmodes = 13", "model.modes"),
    ("apparent_mass = true", 'apparent_mass = "yes"', "model.apparent_mass"),
    ("gear_ratio = 50.0", "gear_ratio = 0", "drive.gear_ratio"),
    ("gear_efficiency = 0.78", "gear_efficiency = 1.78", "drive.gear_efficiency"),
    ("voltage_v = 7.4", "voltage = 7.4", "drive.battery.voltage"),
]


@pytest.mark.parametrize(("old", "new", "key"), BROKEN_BY_HAND)
def test_a_faulty_case_exits_with_2_and_names_file_and_key(
    flapsim: Run, glasshouse: Path, old: str, new: str, key: str
) -> None:
    code, out, err = flapsim("run", edited(glasshouse, old, new))
    assert code == 2
    assert out == ""
    assert "glasshouse.toml" in err
    assert key in err
    assert "Traceback" not in err


def key_lines() -> list[tuple[int, str]]:
    """Line number and text of every key of the example."""
    lines = GLASSHOUSE.read_text().splitlines()
    return [(i, line) for i, line in enumerate(lines) if re.match(r"[a-z]\w* *= ", line)]


@pytest.mark.parametrize(("number", "line"), key_lines())
def test_every_misspelt_key_is_named(
    flapsim: Run, glasshouse: Path, number: int, line: str
) -> None:
    name = line.split("=")[0].strip()
    misspelt = name[0] + name[2:] if len(name) > 3 else name + "x"
    lines = glasshouse.read_text().splitlines()
    lines[number] = line.replace(name, misspelt, 1)
    glasshouse.write_text("\n".join(lines))
    code, out, err = flapsim("run", glasshouse)
    assert (code, out) == (2, "")
    assert f"{misspelt}: no such key" in err
    assert f"{name}?" in err, "the nearest key is offered"


@pytest.mark.parametrize(("number", "line"), key_lines())
@pytest.mark.parametrize("nonsense", ["nan", "[[[]]]"])
def test_an_impossible_value_is_refused_for_every_key(
    flapsim: Run, glasshouse: Path, number: int, line: str, nonsense: str
) -> None:
    name = line.split("=")[0].strip()
    lines = glasshouse.read_text().splitlines()
    lines[number] = f"{name} = {nonsense}"
    glasshouse.write_text("\n".join(lines))
    code, out, err = flapsim("run", glasshouse)
    assert (code, out) == (2, "")
    assert re.search(rf"^glasshouse\.toml: ([\w.]+\.)?{name}[:.]", err, re.MULTILINE)


def test_all_faults_are_reported_at_once(flapsim: Run, glasshouse: Path) -> None:
    edited(glasshouse, "frequency_hz = 2.8", "frequency_hz = -2.8")
    edited(glasshouse, "mass_kg = 0.24", "mas_kg = 0.24")
    edited(glasshouse, "suction = 0.8", "suction = 8")
    code, _, err = flapsim("check", glasshouse)
    assert code == 2
    for key in ("stroke.frequency_hz", "craft.mas_kg", "craft.mass_kg", "wing.section.suction"):
        assert key in err


@pytest.mark.parametrize("command", ["run", "check", "figure", "animate"])
@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("nowhere.toml", None),
        ("folder.toml", "folder"),
        ("empty.toml", b""),
        ("latin.toml", 'title = "Gewächshaus"'.encode("latin-1")),
        ("binary.toml", bytes(range(256))),
        ("picture.png", b"\x89PNG\r\n"),
    ],
)
def test_a_file_that_is_not_a_case_exits_with_2(
    flapsim: Run, tmp_path: Path, command: str, name: str, content: bytes | str | None
) -> None:
    file = tmp_path / name
    if content == "folder":
        file.mkdir()
    elif isinstance(content, bytes):
        file.write_bytes(content)
    code, out, err = flapsim(command, file)
    assert (code, out) == (2, "")
    assert name in err


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("stroke.frequency_hz", "expected KEY=VALUE"),
        ("stroke.frequency_hz=", "expected KEY=VALUE"),
        ("=3", "expected KEY=VALUE"),
        ("stroke..frequency_hz=3", "expected KEY=VALUE"),
        ("stroke frequency=3", "expected KEY=VALUE"),
        ("stroke.frequency_hz=[3", "expected a TOML value"),
        ('stroke.frequency_hz="3', "expected a TOML value"),
        ("stroke.frequency_hz=3\nmass_kg=1", "expected a TOML value"),
        ("stroke.frequency_hz=fast", "stroke.frequency_hz"),
        ("stroke.frequency_hz=-3", "stroke.frequency_hz"),
        ("stroke.frequncy_hz=3", "stroke.frequency_hz"),
        ("model.induced=slop", "slope"),
        ("wing.outer.chord_m.99.1=0.2", "wing.outer.chord_m"),
        ("wing.outer.chord_m.1.1=-0.2", "wing.outer.chord_m.1.1"),
        ("stroke.frequency_hz.0=3", "stroke.frequency_hz"),
    ],
)
def test_an_impossible_change_is_refused_with_a_message(
    flapsim: Run, change: str, words: str
) -> None:
    code, out, err = flapsim("check", GLASSHOUSE, "--set", change)
    assert (code, out) == (2, "")
    assert words in err


def test_set_takes_numbers_words_lists_and_tables(flapsim: Run) -> None:
    code, out, _ = flapsim(
        *("check", GLASSHOUSE, "--json"),
        *("--set", "wing.inner.length_m=0.32"),
        *("--set", "model.induced=slope"),
        *("--set", "wing.outer.chord_m.6.1=0.09"),
        *("--set", "craft.centre_of_mass_m=[0.07, 0.0, 0.01]"),
        *("--set", "stroke.heave={ amplitude_m = 0.01 }"),
    )
    assert code == 0
    # 2 (0.04 + 0.32 + 0.34) m from the changed length.
    assert json.loads(out)["proportions"]["span_m"] == pytest.approx(1.4, rel=1e-12)


@pytest.mark.parametrize(
    "arguments", [[], ["fly"], ["run"], ["run", "a", "b"], ["run", "a", "--sereis"], ["--jsn"]]
)
def test_wrong_arguments_exit_with_2_and_print_the_usage(
    flapsim: Run, arguments: list[str]
) -> None:
    code, out, err = flapsim(*arguments)
    assert (code, out) == (2, "")
    assert "usage: flapsim" in err


@pytest.mark.parametrize(
    ("command", "output", "words"),
    [
        ("run", "glasshouse.toml", "should end in .h5"),
        ("run", "nowhere/cruise.h5", "there is no folder"),
        ("run", "folder.h5", "found a folder"),
        ("run", "kept.h5", "exists already"),
        ("figure", "cruise.txt", "should end in .png"),
        ("figure", "nowhere/cruise.png", "there is no folder"),
        ("animate", "cruise.avi", "should end in .gif"),
    ],
)
def test_an_output_that_cannot_be_written_is_refused_before_computing(
    flapsim: Run, tmp_path: Path, command: str, output: str, words: str
) -> None:
    (tmp_path / "folder.h5").mkdir()
    (tmp_path / "kept.h5").write_text("kept")
    code, out, err = flapsim(command, GLASSHOUSE, "-o", tmp_path / output)
    assert (code, out) == (2, "")
    assert words in err
    assert (tmp_path / "kept.h5").read_text() == "kept"


def test_a_folder_that_disappears_during_the_run_exits_with_2(
    flapsim: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "results"
    folder.mkdir()
    monkeypatch.setattr("flapsim.cli.run._simulated", lambda case: folder.rmdir())
    monkeypatch.setattr("flapsim.cycle.files._root_attributes", lambda cycle: {})
    code, out, err = flapsim("run", GLASSHOUSE, "-o", folder / "cruise.h5")
    assert (code, out) == (2, "")
    assert "cannot be written" in err


def test_series_without_json_is_refused(flapsim: Run) -> None:
    code, _, err = flapsim("run", GLASSHOUSE, "--series")
    assert code == 2
    assert "--json" in err


def test_an_unknown_kind_of_figure_is_refused_with_the_known_kinds(flapsim: Run) -> None:
    code, _, err = flapsim("figure", GLASSHOUSE, "--kind", "portrait")
    assert code == 2
    assert "overview" in err


def test_changing_a_result_is_refused(flapsim: Run) -> None:
    code, _, err = flapsim("figure", "cruise.h5", "--set", "stroke.frequency_hz=3")
    assert code == 2
    assert "give the case file" in err


# --- no solution --------------------------------------------------------------


def test_a_state_without_solution_exits_with_3_and_a_message(
    flapsim: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    from flapsim.faults import NoAnswer

    def impossible(case: object) -> None:
        raise NoAnswer("the wing cannot do this; a slower stroke could")

    monkeypatch.setattr("flapsim.cycle.simulate.simulate", impossible)
    code, out, err = flapsim("run", GLASSHOUSE)
    assert (code, out) == (3, "")
    assert "glasshouse.toml: the wing cannot do this; a slower stroke could" in err


# --- output -------------------------------------------------------------------------------------


def test_run_prints_one_aligned_table(flapsim: Run) -> None:
    code, out, err = flapsim("run", GLASSHOUSE)
    assert code == 0
    assert out.startswith("Glasshouse surveyor, cruise along a row\n")
    for words in ("lift", "wake loss", "profile loss", "No warnings", "Caution"):
        assert words in out
    assert max(map(len, out.splitlines())) <= 80
    assert "nan" not in out.lower().split()
    assert "Traceback" not in err


def test_run_json_is_one_document_with_the_agreed_names(flapsim: Run) -> None:
    code, out, _ = flapsim("run", GLASSHOUSE, "--json")
    document = json.loads(out)
    assert code == 0
    assert "series" not in document
    assert {
        *("lift_n", "thrust_n", "drag_n", "pitching_moment_n_m", "aero_power_w", "wake_loss_w"),
        *("profile_loss_w", "propulsive_efficiency", "flapping_efficiency"),
    } <= document["mean"].keys()
    assert {
        *("energy_balance", "schedule_truncation", "incidence_max_deg", "stalled_fraction"),
        *("reduced_frequency", "strouhal", "reynolds"),
    } <= document["check"].keys()
    assert document["segments"].keys() == {"inner", "outer"}


def test_run_json_series_adds_every_series(flapsim: Run) -> None:
    code, out, _ = flapsim("run", GLASSHOUSE, "--json", "--series", "--set", "model.steps=64")
    series = json.loads(out)["series"]
    assert code == 0
    assert {"phase", "lift_n", "thrust_n", "aero_power_w"} <= series.keys()
    assert {len(values) for values in series.values()} == {64}


def test_a_meaningless_ratio_is_null_in_json_and_na_in_the_table(flapsim: Run) -> None:
    # A wing on a rig carries no weight; without airspeed no efficiency of propulsion.
    changes = ("--set", "craft.mass_kg=0", "--set", "flight.airspeed_m_s=0")
    code, out, _ = flapsim("run", GLASSHOUSE, "--json", *changes)
    assert code == 0
    assert json.loads(out)["mean"]["propulsive_efficiency"] is None
    code, out, _ = flapsim("run", GLASSHOUSE, *changes)
    assert code == 0
    assert "n/a" in out
    assert "Caution" not in out, "a wing on a rig is no craft that may fall"


def test_without_a_drive_the_table_says_so_once_in_place_of_empty_rows(flapsim: Run) -> None:
    code, out, _ = flapsim("run", str(Path(GLASSHOUSE).with_name("plunging_wing.toml")))
    assert code == 0
    assert out.count("no drive in this case") == 1
    assert "shaft power   " not in out
    assert "cost of transport" not in out


def test_check_prints_the_proportions_of_the_case(flapsim: Run) -> None:
    code, out, err = flapsim("check", GLASSHOUSE)
    assert (code, err) == (0, "")
    for words in ("span", "aspect ratio", "Reynolds", "reduced frequency"):
        assert words in out


def test_check_and_run_agree_on_what_both_report(flapsim: Run) -> None:
    _, out, _ = flapsim("check", GLASSHOUSE, "--json")
    before = json.loads(out)["proportions"]
    _, out, _ = flapsim("run", GLASSHOUSE, "--json")
    after = json.loads(out)["check"]
    for name in ("aspect_ratio", "reduced_frequency", "schedule_truncation"):
        assert before[name] == pytest.approx(after[name], rel=1e-12), name


def test_the_powers_in_the_table_add_up(flapsim: Run) -> None:
    _, out, _ = flapsim("run", GLASSHOUSE)
    rows = {}
    for line in out.splitlines():
        label, *numbers = re.split(r"  +", line.strip())
        rows[label] = [float(number.split()[0]) for number in numbers[:3] if number[-1].isdigit()]
    parts = zip(rows["thrust × airspeed"], rows["wake loss"], rows["profile loss"], strict=True)
    for total, part in zip(rows["aerodynamic power"], map(sum, parts), strict=True):
        # Four numbers rounded to three decimals.
        assert total == pytest.approx(part, abs=2e-3)


MODELS = re.findall(
    r"^\| `(.+?)` \| `(.+?)`, `(.+?)` \| ([\d.]+) \| ([\d.]+) \|",
    (PROJECT / "README.md").read_text(),
    re.MULTILINE,
)


@pytest.mark.parametrize(("induced", "wake", "lag", "thrust", "power"), MODELS)
def test_the_readme_gives_the_thrust_and_power_of_each_choice_of_models(
    flapsim: Run, induced: str, wake: str, lag: str, thrust: str, power: str
) -> None:
    changes = (f"model.induced={induced}", f"model.wake={wake}", f"model.wake_lag={lag}")
    options = [word for change in changes for word in ("--set", change)]
    _, out, _ = flapsim("run", GLASSHOUSE, "--json", *options)
    mean = json.loads(out)["mean"]
    assert f"{mean['thrust_n']:.3f}" == thrust
    assert f"{mean['aero_power_w']:.2f}" == power


def test_check_json_lists_the_faults(flapsim: Run, glasshouse: Path) -> None:
    code, out, err = flapsim("check", edited(glasshouse, "suction = 0.8", "suction = 8"), "--json")
    document = json.loads(out)
    assert code == 2
    assert document["sound"] is False
    assert [fault["key"] for fault in document["faults"]] == ["wing.section.suction"]
    assert "wing.section.suction" in err


def test_a_result_written_by_run_is_drawn_by_figure(
    flapsim: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, _, err = flapsim("run", GLASSHOUSE, "-o", "cruise.h5")
    assert code == 0
    assert "wrote cruise.h5" in err
    with h5py.File("cruise.h5") as file:
        assert file.attrs["case_text"] == GLASSHOUSE.read_text()
    code, _, err = flapsim("figure", "cruise.h5")
    assert code == 0
    assert Path("cruise_overview.png").read_bytes().startswith(b"\x89PNG")
    code, _, err = flapsim("figure", "cruise.h5")
    assert code == 2
    assert "exists already" in err
    code, _, _ = flapsim("figure", "cruise.h5", "--overwrite")
    assert code == 0


def test_animate_writes_a_gif(flapsim: Run, tmp_path: Path) -> None:
    coarse = ("--set", "model.steps=16", "--set", "model.induced=none")
    code, out, _ = flapsim("animate", GLASSHOUSE, *coarse, "-o", tmp_path / "s.gif", "--json")
    assert code == 0
    assert json.loads(out) == {"kind": "animation", "written": str(tmp_path / "s.gif")}
    assert (tmp_path / "s.gif").read_bytes().startswith(b"GIF89a")


def test_an_mp4_without_ffmpeg_exits_with_2_and_a_message(
    flapsim: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("matplotlib.animation.FFMpegWriter.isAvailable", lambda: False)
    code, out, err = flapsim("animate", GLASSHOUSE, "-o", tmp_path / "s.mp4")
    assert (code, out) == (2, "")
    assert "ffmpeg" in err


@pytest.mark.parametrize("content", [b"", b"not a result", b"\x89HDF\r\n\x1a\n" + bytes(200)])
def test_a_broken_result_file_exits_with_2(flapsim: Run, tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "broken.h5"
    file.write_bytes(content)
    code, out, err = flapsim("figure", file)
    assert (code, out) == (2, "")
    assert "broken.h5" in err


@pytest.mark.parametrize("command", ["run", "check", "figure", "animate"])
def test_help_of_each_command_gives_an_example(flapsim: Run, command: str) -> None:
    code, out, _ = flapsim(command, "--help")
    assert code == 0
    assert f"example: flapsim {command} cases/glasshouse.toml" in " ".join(out.split())


def test_help_describes_every_kind_of_figure(flapsim: Run) -> None:
    _, out, _ = flapsim("figure", "--help")
    for name, kind in KINDS.items():
        assert f"{name} ({kind.shows})" in " ".join(out.split())


def test_version_is_that_of_the_package(flapsim: Run) -> None:
    code, out, _ = flapsim("--version")
    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
    assert code == 0
    assert out.strip() in (f"flapsim {project['version']}", "flapsim unknown")


# --- as a separate process ---------------------------------------------------------------------


def command(*arguments: object) -> list[str]:
    start = "import sys; from flapsim.cli.main import main; sys.exit(main())"
    return [sys.executable, "-c", start, *map(str, arguments)]


def surroundings() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(PROJECT)}


def test_a_missing_file_exits_with_2_and_no_traceback(tmp_path: Path) -> None:
    done = subprocess.run(
        command("run", "nowhere.toml"),
        cwd=tmp_path,
        env=surroundings(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("nowhere.toml: ")
    assert "Traceback" not in done.stderr


def test_a_closed_pipe_causes_no_traceback() -> None:
    reading, writing = os.pipe()
    os.close(reading)  # nobody will read
    with os.fdopen(writing, "wb") as pipe:
        done = subprocess.run(
            command("check", GLASSHOUSE),
            env=surroundings(),
            stdout=pipe,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr == ("flapsim: standard output was closed before everything was written\n")


def test_an_interrupt_exits_with_130(flapsim: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "flapsim.cli.run._simulated", lambda case: signal.raise_signal(signal.SIGINT)
    )
    code, out, err = flapsim("run", GLASSHOUSE)
    assert (code, out) == (130, "")
    assert "interrupted" in err


def test_run_does_not_import_slow_libraries() -> None:
    script = (
        "import sys; from flapsim.cli.main import main; code = main(sys.argv[1:]); "
        "slow = {'matplotlib', 'pandas', 'scipy.optimize', 'h5py', 'tomli_w'} & set(sys.modules); "
        "sys.exit(code or ' '.join(slow) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, "run", str(GLASSHOUSE), "--json"],
        env=surroundings(),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    json.loads(done.stdout)
