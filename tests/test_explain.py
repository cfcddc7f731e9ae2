"""Every key and every result is defined once, and the command line says what it means."""

from __future__ import annotations

import json
import math
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from flapsim.case import Case, parse_case, read_case
from flapsim.case.keys import Table, definitions
from flapsim.cli.main import main
from flapsim.cycle.simulate import simulate
from flapsim.quantities import (
    GLOSSARY,
    GROUPS,
    QUANTITIES,
    find_quantity,
    finite_or_none,
    printed,
    quantity_of,
    unit_of,
    without_unit,
)
from flapsim.rig.rig_file import parse_rig
from flapsim.show.definitions import FILE_KINDS
from flapsim.study.reading import parse_study

CASES = Path(__file__).parents[1] / "cases"
FILES = sorted(CASES.rglob("*.toml"))


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = main(arguments)
    said = capsys.readouterr()
    return code, said.out, said.err


def explained(capsys: pytest.CaptureFixture[str], *name: str) -> list[dict[str, Any]]:
    code, out, err = run(capsys, "explain", *name, "--json")
    assert (code, err) == (0, "")
    found: list[dict[str, Any]] = json.loads(out)["definitions"]
    return found


# --- definitions are complete --------------------------------------------------------------------


@pytest.mark.parametrize("file", FILE_KINDS)
def test_every_key_has_a_meaning_in_one_line(file: str) -> None:
    for path, entry in definitions(FILE_KINDS[file]):
        assert entry.meaning.strip() == entry.meaning != "", path
        assert not entry.meaning.endswith("."), path
        assert "\n" not in entry.meaning, path


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("stroke.outer.twist.rate_limit_deg_s", "degree s-1"),
        ("drive.motor.torque_constant_n_m_a", "N m A-1"),
        ("drive.motor.rotor_inertia_kg_m2", "kg m2"),
        ("wing.inner.skin_kg_m2", "kg m-2"),
        ("stroke.outer.twist.damping_n_m_s_rad", "N m s rad-1"),
        ("air.kinematic_viscosity_m2_s", "m2 s-1"),
        ("air.temperature_c", "degC"),
        ("wing.outer.chord_m.1.0", "1"),
        ("wing.outer.chord_m.1.1", "m"),
        ("craft.centre_of_mass_m.2", "m"),
        ("stroke.outer.plunge.downstroke_fraction", "1"),
        ("drive.battery.capacity_ah", "A h"),
    ],
)
def test_the_unit_of_a_key_is_the_end_of_its_name(name: str, unit: str) -> None:
    assert unit_of(name) == unit


def test_every_number_of_a_case_has_a_known_unit_or_is_a_pure_number() -> None:
    pure = re.compile(
        "_(axis|fraction|ratio|efficiency|factor|counts|order|mass)$|^(suction|friction|strips|steps"
        "|modes|regeneration|mode|law|shape|file|title|induced|wake|wake_lag|stall|aspect_ratio"
        "|twist_axis|sensor_counts)$"
    )
    for path, entry in definitions(Case):
        if not isinstance(entry.rule, Table) and unit_of(path) == "1":
            last = re.sub("^(tip|root)_", "", entry.name)
            assert pure.search(last), path


PER_SPAN = {"normal_force_n_m", "chordwise_force_n_m", "moment_n_m_m", "lift_n_m", "thrust_n_m",
            "power_w_m"}  # fmt: skip


@pytest.mark.parametrize("name", sorted(set(QUANTITIES) - PER_SPAN))
def test_the_unit_of_a_result_agrees_with_its_name(name: str) -> None:
    """Results per span are the exception: N m there would be a moment."""
    assert QUANTITIES[name].unit == unit_of(name)


@pytest.mark.parametrize(
    ("unit", "text"),
    [("1", ""), ("m2 s-1", "m²/s"), ("N m rad-1", "N m/rad"), ("degree s-1", "°/s"),
     ("kg m-3", "kg/m³"), ("N m s rad-1", "N m s/rad"), ("degC", "°C"), ("J m-2", "J/m²")],
)  # fmt: skip
def test_units_are_printed_as_people_write_them(unit: str, text: str) -> None:
    assert printed(unit) == text


def test_a_name_loses_its_unit_and_nothing_else() -> None:
    assert without_unit("stiffness_n_m_rad") == "stiffness"
    assert without_unit("rotor_inertia_kg_m2") == "rotor_inertia"
    assert without_unit("downstroke_fraction") == "downstroke_fraction"


def numbers(document: dict[str, Any], lead: str = "") -> Iterator[str]:
    for name, value in document.items():
        if isinstance(value, dict):
            yield from numbers(value, f"{lead}{name}.")
        elif (
            value is None
            or (isinstance(value, int | float) and not isinstance(value, bool))
            or (isinstance(value, list) and value and isinstance(value[0], int | float))
        ):
            yield lead + name


COMMANDS = {
    "run": ["run", "two_metre_passive.toml", "--series"],
    "run with a drive": ["run", "glasshouse.toml", "--series", "--set", "model.steps=32"],
    "check": ["check", "glasshouse.toml"],
    "trim": ["trim", "glasshouse.toml"],
    "power": ["power", "glasshouse.toml", "--speeds", "4:6:3"],
    "drive": ["drive", "glasshouse.toml"],
    "loads": ["loads", "glasshouse.toml"],
    "reduce": ["reduce", "rig/bench_log.csv", "--rig", str(CASES / "rig" / "bench.toml")],
}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_number_that_a_command_reports_is_defined(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    command, file, *rest = COMMANDS[name]
    code, out, _ = run(capsys, command, str(CASES / file), *rest, "--json")
    assert code == 0
    reported = list(numbers(json.loads(out)))
    assert len(reported) > 5
    texts = ("values", "limit", "status", "links", "trim.drive_refusal")
    unknown = [
        result
        for result in reported
        if find_quantity(result) is None
        and not (result.startswith(("trim.solution.", "solution.")) or result in texts)
    ]
    assert unknown == []


@pytest.mark.parametrize("group", ["mean", "peak", "check", "series", "strips"])
def test_the_groups_list_everything_that_a_cycle_holds(group: str) -> None:
    for file in ("two_metre_passive.toml", "lagging_servo.toml", "glasshouse.toml"):
        cycle = simulate(read_case(CASES / file).replace({"model.steps": 64}))
        assert set(getattr(cycle, group)) <= set(GROUPS[group][1])


def test_what_is_better_is_said_of_what_is_ranked() -> None:
    better = {name: quantity_of(name).better for name in (
        "mean.effective_lift_to_drag", "mean.aero_lift_to_drag", "mean.thrust_power_w",
        "mean.flapping_efficiency", "mean.electrical_power_w", "mean.wake_loss_w",
        "check.incidence_max_deg", "mean.cost_of_transport", "mean.lift_n",
        "mean.pitching_moment_n_m", "mean.held_pitch_deg", "flight.pitch_deg",
    )}  # fmt: skip
    assert list(better.values()) == ["higher"] * 4 + ["lower"] * 4 + [""] * 4


def test_numbers_for_json_are_finite_or_none() -> None:
    given = {"a": math.nan, "b": [1.0, math.inf], "c": np.array([2.0, np.nan]), "d": "x", "e": 3,
             "f": np.float64(np.nan)}  # fmt: skip
    assert finite_or_none(given) == {"a": None, "b": [1.0, None], "c": [2.0, None], "d": "x",
                                     "e": 3, "f": None}  # fmt: skip


# --- explain -------------------------------------------------------------------------------------


def test_a_key_is_explained_with_unit_range_default_and_when_it_applies(
    capsys: pytest.CaptureFixture[str],
) -> None:
    (found,) = explained(capsys, "stroke.outer.twist.tip_lag_deg")
    assert found["what"] == "key of a case"
    assert "lag behind the stroke phase" in found["meaning"]
    assert (found["unit"], found["default"]) == ("°", 0.0)
    assert found["range"] == "a number >= -360 and <= 360"
    assert 'mode = "driven" or "servo"' in found["applies"]
    code, out, _ = run(capsys, "explain", "stroke.outer.twist.tip_lag_deg")
    assert code == 0
    assert "default  0.0" in out
    assert max(map(len, out.splitlines())) <= 80


@pytest.mark.parametrize("name", ["mean.flapping_efficiency", "flapping_efficiency"])
def test_a_result_is_explained_with_formula_and_source(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (found,) = explained(capsys, name)
    assert found["formula"] == "(thrust_n + held_drag_n) * flight.airspeed_m_s / aero_power_w"
    assert found["better"] == "higher"
    assert found["source"]


def test_a_formula_names_results_and_keys_that_exist(capsys: pytest.CaptureFixture[str]) -> None:
    paths = {path for path, _ in definitions(Case)}
    for name, quantity in QUANTITIES.items():
        for word in re.findall(r"[a-z]+(?:\.[a-z_.]+|_[a-z_0-9]+)", quantity.formula):
            assert word in paths or find_quantity(word) is not None, (name, word)


def test_a_group_is_explained_with_its_shapes_and_keys(capsys: pytest.CaptureFixture[str]) -> None:
    (found,) = explained(capsys, "stroke.inner.plunge")
    assert list(found["choices"]) == [
        f'shape = "{s}"' for s in ("harmonic", "quick-return", "fourier", "samples", "linkage")
    ]
    assert "crank_m" in found["choices"]['shape = "linkage"']
    assert found["names"]["amplitude_deg"] == "amplitude about the mean (°)"


@pytest.mark.parametrize("word", ["lag", "servo", "reduced frequency", "Strouhal number"])
def test_a_technical_term_is_explained(word: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert GLOSSARY[word.lower()] in [one["meaning"] for one in explained(capsys, *word.split())]


def test_an_item_of_a_list_is_explained_by_its_key(capsys: pytest.CaptureFixture[str]) -> None:
    assert explained(capsys, "wing.outer.chord_m.1.1") == explained(capsys, "wing.outer.chord_m")


def test_a_result_that_is_also_a_key_is_explained_as_both(
    capsys: pytest.CaptureFixture[str],
) -> None:
    result, keys = explained(capsys, "lag_deg")
    assert result["what"] == "reported quantity"
    assert "stroke.inner.plunge.lag_deg" in keys["names"]


def test_the_last_name_of_a_key_is_enough(capsys: pytest.CaptureFixture[str]) -> None:
    (found,) = explained(capsys, "suction")
    assert "wing.section.suction" in found["names"]
    (found,) = explained(capsys, "gear_efficiency")
    assert set(found["names"]) == {"drive.gear_efficiency", "rig.drive.gear_efficiency"}


@pytest.mark.parametrize(
    ("name", "hint"),
    [
        ("stroke.inner.plunge.amplitud_deg", "stroke.inner.plunge.amplitude_deg"),
        ("mean.flaping_efficiency", "mean.flapping_efficiency"),
        ("sevro", "servo"),
        ("stifness", "stiffness"),
        ("bandwidth", "stroke.inner.twist.bandwidth_hz"),
        ("qqqqqq", "'flapsim explain' lists groups"),
    ],
)
def test_a_misspelt_name_gets_the_nearest_ones(
    name: str, hint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, "explain", name)
    assert (code, out) == (2, "")
    assert hint in err


def test_without_a_name_the_groups_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "explain")
    assert code == 0
    for name in ("stroke", "plan.sampling", "rig.channels", "mean", "reduced frequency"):
        assert name.removeprefix("plan.").removeprefix("rig.") in out
    assert max(map(len, out.splitlines())) <= 80


def test_everything_that_is_listed_can_be_explained(capsys: pytest.CaptureFixture[str]) -> None:
    for group in (*FILE_KINDS, *GROUPS, "stroke", "stroke.outer.twist", "rig.channels"):
        for found in explained(capsys, group):
            lead = "" if group in (*GROUPS, "case") else f"{group}."
            for name in found.get("names", {}):
                assert name.endswith("*") or explained(capsys, lead + name), name


# --- schema --------------------------------------------------------------------------------------


def validator(kind: str) -> jsonschema.Draft202012Validator:
    schema = json.loads((CASES / "schema" / f"{kind}.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize("kind", FILE_KINDS)
def test_the_schema_beside_the_cases_is_what_the_command_prints(
    kind: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, out, _ = run(capsys, "schema", kind)
    assert code == 0
    shipped = f"cases/schema/{kind}.schema.json"
    remedy = f"run: flapsim schema {kind} -o {shipped} --overwrite"
    assert out == (CASES.parent / shipped).read_text(encoding="utf-8"), remedy
    path = tmp_path / "own.json"
    assert run(capsys, "schema", kind, "-o", str(path))[0] == 0
    assert path.read_text(encoding="utf-8") == out
    code, _, err = run(capsys, "schema", kind, "-o", str(path))
    assert (code, "--overwrite" in err) == (2, True)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_every_file_that_ships_names_its_schema_and_satisfies_it(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    first = text.partition("\n")[0]
    assert first.startswith("#:schema ")
    schema = (path.parent / first.removeprefix("#:schema ")).resolve()
    assert schema.parent == CASES / "schema"
    kind = schema.name.partition(".")[0]
    assert [e.message for e in validator(kind).iter_errors(tomllib.loads(text))] == []


GLASSHOUSE = (CASES / "glasshouse.toml").read_text(encoding="utf-8")
PLUNGE = "plunge = { mean_deg = 4.0, amplitude_deg = 20.4 }"
TWIST = "twist = { tip_amplitude_deg = 10.5, tip_lag_deg = -72.0 }"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("frequency_hz = 2.8", "frequency_hz = -2.8"),
        ("frequency_hz = 2.8", 'frequency_hz = "fast"'),
        ("frequency_hz = 2.8", ""),
        ("mass_kg", "mas_kg"),
        ('"lifting-line"', '"lifting line"'),
        ("steps = 128", "steps = 127"),
        ("[flight]", "[[flight]]"),
        ("= [0.077, 0.0, 0.0]", "= [0.077, 0.0]"),
        ('law = "thin-plate"', 'law = "polar"'),
        (PLUNGE, "plunge = { crank_m = 0.01 }"),
        (PLUNGE, 'plunge = { shape = "linkage", crank_m = 0.01 }'),
        (PLUNGE, 'plunge = { shape = "fourier", amplitude_deg = 20 }'),
        (TWIST, "twist = { bandwidth_hz = 9 }"),
        (TWIST, 'twist = { mode = "servo" }'),
        (TWIST, 'twist = { mode = "passive", stiffness_n_m_rad = 1, tip_mean_deg = 3 }'),
        (TWIST, 'twist = { tip_shape = "samples" }'),
    ],
)
def test_a_broken_case_fails_schema_and_reader_alike(old: str, new: str) -> None:
    assert old in GLASSHOUSE
    broken = GLASSHOUSE.replace(old, new, 1)
    assert list(validator("case").iter_errors(tomllib.loads(broken)))
    with pytest.raises(ValueError, match=r"expected|applies|no such key"):
        parse_case(broken, CASES)


# --- new -----------------------------------------------------------------------------------------


def test_a_new_case_is_the_glasshouse_surveyor_with_every_key_explained(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "wing.toml"
    code, _, err = run(capsys, "new", str(path))
    assert code == 0
    assert f"wrote {path}" in err
    case = read_case(path)
    assert case.replace({"title": "x"}) == read_case(CASES / "glasshouse.toml").replace(
        {"title": "x"}
    )
    text = path.read_text(encoding="utf-8")
    for line in text.splitlines():
        if re.match(r"\w+ = ", line) and "chord_m" not in line and "title" not in line:
            assert " # " in line, line
    assert "# part of the leading-edge suction that is realised" in text
    assert re.search(r'# friction = "turbulent" +# .*"laminar" or a number >= 0', text)
    assert run(capsys, "run", str(path), "--set", "model.steps=32")[0] == 0


def test_optional_keys_of_a_new_case_can_be_uncommented(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "wing.toml"
    run(capsys, "new", str(path))
    text = re.sub(r"(?m)^# (\w+ = [^\s#])", r"\1", path.read_text(encoding="utf-8"))
    assert "\nstrips = 12" in text
    assert "\ntip_mean_deg = 0.0" in text
    again = parse_case(text, tmp_path)
    assert again.wing == read_case(path).wing


def test_a_new_plan_and_a_new_rig_are_sound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for kind in ("case", "plan", "rig"):
        assert run(capsys, "new", str(tmp_path / f"{kind}.toml"), "--kind", kind)[0] == 0
    study = parse_study((tmp_path / "plan.toml").read_text(encoding="utf-8"), tmp_path)
    assert len(study.plan.axis) == 2
    rig = parse_rig((tmp_path / "rig.toml").read_text(encoding="utf-8"))
    assert set(rig.measured) == {"voltage", "current", "lift", "thrust"}


def test_new_refuses_to_overwrite(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "wing.toml"
    path.write_text("mine", encoding="utf-8")
    code, _, err = run(capsys, "new", str(path))
    assert code == 2
    assert "exists already" in err
    assert "--overwrite" not in err
    assert path.read_text(encoding="utf-8") == "mine"
    assert run(capsys, "new", str(tmp_path / "wing.csv"))[0] == 2


def test_a_fault_of_a_value_quotes_the_definition(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "case.toml"
    path.write_text(GLASSHOUSE.replace("suction = 0.8", "suction = 80"), encoding="utf-8")
    code, _, err = run(capsys, "check", str(path))
    assert code == 2
    assert "wing.section.suction: expected a number >= 0 and <= 1, found 80; part of the" in err
