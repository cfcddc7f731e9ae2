"""A case says one thing in Python, in TOML and under its key paths."""

from __future__ import annotations

import dataclasses
import pickle
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st

from flapsim.case import Air, Case, Schedule, Section, Tail, parse_case, read_case
from flapsim.case.case import known_keys
from flapsim.case.keys import Table, entries
from flapsim.case.rules import Number, Numbers, Stations, Switch, Text, Word
from flapsim.case.text import plain
from flapsim.faults import CaseError

CASES = Path(__file__).parents[1] / "cases"


@pytest.fixture(scope="module")
def glasshouse() -> Case:
    return read_case(CASES / "glasshouse.toml")


# --- reading and writing -----------------------------------------------------------------------


# Plan files, which name the case they start from, lie beside the cases.
SHIPPED = sorted(p for p in CASES.glob("*.toml") if "\nbase = " not in p.read_text("utf-8"))


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_every_case_file_reads_back_from_its_own_toml(path: Path) -> None:
    case = read_case(path)
    again = parse_case(case.to_toml(), path.parent, path.name)
    assert again == case
    assert again.to_toml() == case.to_toml()
    assert hash(again) == hash(case)


def test_a_case_keeps_its_text_and_folder_as_read(glasshouse: Case) -> None:
    path = CASES / "glasshouse.toml"
    assert glasshouse.text == path.read_text(encoding="utf-8")
    assert glasshouse.folder == CASES
    assert glasshouse.name == "glasshouse.toml"


def test_defaults_and_absent_tables_are_not_written(glasshouse: Case) -> None:
    text = glasshouse.to_toml()
    assert "[model]" not in text
    assert "climb_deg" not in text
    assert "None" not in text
    assert "[drive]" in text


def test_stations_and_schedules_are_written_on_one_line(glasshouse: Case) -> None:
    lines = glasshouse.to_toml().splitlines()
    assert "chord_m = [[0.0, 0.28], [1.0, 0.27]]" in lines
    assert "plunge = { mean_deg = 4.0, amplitude_deg = 20.4 }" in lines


def test_integers_stand_for_numbers(glasshouse: Case) -> None:
    text = glasshouse.text.replace("airspeed_m_s = 5.0", "airspeed_m_s = 5")
    case = parse_case(text, CASES)
    assert case == glasshouse
    assert isinstance(case.flight.airspeed_m_s, float)


def test_a_byte_order_mark_and_windows_line_ends_do_not_matter(
    tmp_path: Path, glasshouse: Case
) -> None:
    path = tmp_path / "windows.toml"
    path.write_bytes(b"\xef\xbb\xbf" + glasshouse.text.replace("\n", "\r\n").encode())
    assert read_case(path) == glasshouse


@pytest.mark.parametrize(
    "title",
    ['quote " and \\ stroke', "tab\tand\nnew line", "höhe ≥ 3 𝛼", "del \x7f", "#= [x]", "'''"],
)
def test_any_title_survives_writing(glasshouse: Case, title: str) -> None:
    case = glasshouse.replace({"title": title})
    assert parse_case(case.to_toml(), CASES).title == title


def test_an_explicit_root_twist_of_zero_is_not_the_same_as_none(glasshouse: Case) -> None:
    level = glasshouse.replace({"stroke.outer.twist.root_amplitude_deg": 0.0})
    assert level.stroke.outer is not None
    assert level.stroke.outer.twist is not None
    assert level.stroke.outer.twist.root == Schedule()
    assert level != glasshouse
    assert parse_case(level.to_toml(), CASES) == level


def test_a_case_travels_between_processes(glasshouse: Case) -> None:
    assert pickle.loads(pickle.dumps(glasshouse)) == glasshouse


def test_faults_travel_between_processes(glasshouse: Case) -> None:
    with pytest.raises(CaseError) as caught:
        glasshouse.replace({"stroke.frequency_hz": -1.0})
    again = pickle.loads(pickle.dumps(caught.value))
    assert again.faults == caught.value.faults
    assert str(again) == str(caught.value)


def test_reading_a_case_loads_neither_compiler_nor_plotting() -> None:
    code = (
        "import sys, flapsim.case;"
        "heavy = {'scipy', 'numba', 'h5py', 'matplotlib'} & set(sys.modules);"
        "sys.exit(', '.join(heavy) or 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=CASES.parent,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr


# --- random cases ------------------------------------------------------------------------------


def numbers(rule: Number) -> st.SearchStrategy[float]:
    """Any number that the rule allows."""
    low = max(rule.above, rule.least, -1e9)
    high = min(rule.below, rule.most, 1e9)
    if rule.whole:
        step = 2 if rule.even else 1
        return st.integers(-(-int(low) // step), int(high) // step).map(lambda n: n * step)
    return st.floats(low, high, exclude_min=low == rule.above, exclude_max=high == rule.below).map(
        lambda x: x + 0.0
    )


def stations() -> st.SearchStrategy[list[list[float]]]:
    between = st.lists(st.floats(0.001, 0.999), unique=True, max_size=4).map(sorted)
    chord = st.floats(1e-3, 10.0)
    return between.flatmap(
        lambda inside: st.lists(chord, min_size=len(inside) + 2, max_size=len(inside) + 2).map(
            lambda chords: [
                [fraction, value]
                for fraction, value in zip([0.0, *inside, 1.0], chords, strict=True)
            ]
        )
    )


def allowed_by(rule: Any) -> st.SearchStrategy[Any]:
    """Any value of a single key that its rule allows."""
    match rule:
        case Number():
            return numbers(rule)
        case Word():
            words = st.sampled_from(rule.choices)
            return words if rule.number is None else words | numbers(rule.number)
        case Numbers():
            least = rule.count or 0
            return st.lists(numbers(rule.item), min_size=least, max_size=rule.count or rule.most)
        case Stations():
            return stations()
        case Switch():
            return st.booleans()
        case Text():
            return st.text(st.characters(exclude_categories=["Cs"]), min_size=1).filter(
                lambda text: bool(text.strip()) and "\0" not in text
            )
    raise AssertionError(f"no strategy for {rule}")


def tables(kind: Any, *, without: tuple[str, ...] = ()) -> st.SearchStrategy[dict[str, Any]]:
    """Any table of the keys of a dataclass, each by its own rule; nested tables left out."""
    required, optional = {}, {}
    for entry in entries(kind):
        if isinstance(entry.rule, Table) or entry.name in without:
            continue
        (required if entry.required else optional)[entry.name] = allowed_by(entry.rule)
    return st.fixed_dictionaries(required, optional=optional)


SHAPES = {
    "harmonic": ("mean_deg", "amplitude_deg", "lag_deg"),
    "quick-return": ("mean_deg", "amplitude_deg", "lag_deg", "downstroke_fraction"),
    "fourier": ("mean_deg", "cos_deg", "sin_deg"),
    "linkage": ("mean_deg", "lag_deg", "crank_m", "rocker_m", "coupler_m", "base_m"),
    "samples": ("file",),
}
NEEDED = {"cos_deg", "crank_m", "rocker_m", "coupler_m", "base_m", "file"}
RULES = {entry.name: entry.rule for entry in entries(Schedule)}


def schedules(prefix: str = "") -> st.SearchStrategy[dict[str, Any]]:
    def of_shape(shape: str) -> st.SearchStrategy[dict[str, Any]]:
        keys = {name: allowed_by(RULES[name]) for name in SHAPES[shape]}
        if shape == "fourier":
            keys["cos_deg"] = keys["cos_deg"].filter(bool)
        needed = {name: value for name, value in keys.items() if name in NEEDED}
        rest = {name: value for name, value in keys.items() if name not in NEEDED}
        table = st.fixed_dictionaries({"shape": st.just(shape)} | needed, optional=rest)
        return table.map(lambda drawn: {prefix + name: value for name, value in drawn.items()})

    return st.sampled_from(sorted(SHAPES)).flatmap(of_shape)


def optional(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


@st.composite
def sections(draw: st.DrawFn) -> dict[str, Any]:
    table = draw(tables(Section, without=("file", "stall_deg", "stall_width_deg")))
    if table["law"] == "polar":
        table["file"] = "polar.csv"
    table["stall_deg"] = draw(st.floats(5.0, 60.0))
    table["stall_width_deg"] = draw(st.floats(0.5, 10.0))
    return table


@st.composite
def twists(draw: st.DrawFn) -> dict[str, Any]:
    mode = draw(st.sampled_from(["driven", "servo", "passive"]))
    table: dict[str, Any] = {"mode": mode}
    positive = st.floats(1e-6, 1e6)
    if mode != "passive":
        table |= draw(optional(schedules("tip_"))) or {}
    table |= draw(optional(schedules("root_"))) or {}
    if mode == "servo":
        table["bandwidth_hz"] = draw(positive)
        table["torque_limit_n_m"] = draw(positive)
    if mode == "passive":
        table |= {"stiffness_n_m_rad": draw(positive), "rest_deg": draw(st.floats(-40.0, 40.0))}
        table["stops_deg"] = [-60.0, draw(st.floats(41.0, 180.0))]
    return table


@st.composite
def segment_strokes(draw: st.DrawFn, *, outer: bool) -> dict[str, Any]:
    table = {"plunge": draw(optional(schedules())), "twist": draw(optional(twists()))}
    if outer:
        table["sweep"] = draw(optional(schedules()))
    return {name: value for name, value in table.items() if value is not None}


@st.composite
def cases(draw: st.DrawFn) -> dict[str, Any]:
    """Any sound case, as the table that its file would hold."""
    rules = {entry.name: entry.rule.kind for entry in entries(Case) if hasattr(entry.rule, "kind")}
    outer = draw(st.booleans())
    segment = next(e.rule.kind for e in entries(rules["wing"]) if e.name == "inner")
    air = draw(tables(Air))
    if "altitude_m" in air:
        air.pop("density_kg_m3", None)
        air.pop("kinematic_viscosity_m2_s", None)
    else:
        air = {"density_kg_m3": 1.2, "kinematic_viscosity_m2_s": draw(st.floats(1e-7, 1e-3))}
    wing = draw(tables(rules["wing"])) | {"section": draw(sections())}
    stroke = draw(tables(rules["stroke"]))
    for name in ("inner", "outer")[: 1 + outer]:
        wing[name] = draw(tables(segment)) | {"strips": draw(st.integers(64, 200))}
        stroke[name] = draw(segment_strokes(outer=name == "outer"))
    if draw(st.booleans()):
        stroke["port"] = {"inner": draw(segment_strokes(outer=False))}
    craft = draw(tables(rules["craft"]))
    if draw(st.booleans()):
        craft["tail"] = draw(tables(Tail))
    case = {
        "title": draw(allowed_by(Text())),
        "air": air,
        "craft": craft,
        "flight": draw(tables(rules["flight"])),
        "wing": wing,
        "stroke": stroke,
        "model": draw(tables(rules["model"])),
    }
    if draw(st.booleans()):
        drive = rules["drive"]
        parts = {e.name: e.rule.kind for e in entries(drive) if isinstance(e.rule, Table)}
        case["drive"] = draw(tables(drive)) | {
            name: draw(tables(kind)) for name, kind in parts.items()
        }
    return case


def case_from(table: dict[str, Any]) -> Case:
    """Read a table through another library's writer; the files it names are not there."""
    return parse_case(tomli_w.dumps(table), check_files=False)


@settings(max_examples=60)
@given(table=cases())
def test_any_sound_case_reads_back_from_its_own_toml(table: dict[str, Any]) -> None:
    case = case_from(table)
    again = parse_case(case.to_toml(), check_files=False)
    assert again == case


@settings(max_examples=20)
@given(table=cases())
def test_putting_back_what_any_key_says_changes_nothing(table: dict[str, Any]) -> None:
    # No folder: the files that a random case names are not there to be checked.
    case = dataclasses.replace(case_from(table), folder=None)  # type: ignore[arg-type]
    for key in leaves(plain(case)):
        assert case.replace({key: case.get(key)}) == case


def leaves(table: dict[str, Any], prefix: str = "") -> list[str]:
    """Key paths of all values that are not tables."""
    found: list[str] = []
    for name, value in table.items():
        below = isinstance(value, dict)
        found += leaves(value, f"{prefix}{name}.") if below else [prefix + name]
    return found


# --- get and replace ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("title", "Glasshouse surveyor, cruise along a row"),
        ("stroke.frequency_hz", 2.8),
        ("flight.climb_deg", 0.0),
        ("stroke.outer.twist.tip_amplitude_deg", 34.0),
        ("stroke.outer.twist.tip_shape", "harmonic"),
        ("stroke.inner.twist.root_amplitude_deg", None),
        ("wing.outer.chord_m.1.1", 0.264),
        ("wing.outer.chord_m.6", (1.0, 0.08)),
        ("craft.centre_of_mass_m.0", 0.077),
        ("model.modes", None),
        ("model.steps", 128),
        ("model.apparent_mass", True),
        ("craft.tail", None),
        ("craft.tail.area_m2", None),
        ("stroke.port.outer.twist.tip_lag_deg", None),
        ("drive.motor.rotor_inertia_kg_m2", 4e-7),
    ],
)
def test_a_key_path_names_one_value(glasshouse: Case, key: str, value: object) -> None:
    assert glasshouse.get(key) == value


def test_every_known_key_can_be_asked_for(glasshouse: Case) -> None:
    for key in known_keys():
        glasshouse.get(key)
    assert "stroke.outer.twist.tip_amplitude_deg" in known_keys()


def test_replace_returns_a_changed_copy(glasshouse: Case) -> None:
    faster = glasshouse.replace(
        {
            "stroke.frequency_hz": 3,
            "wing.outer.chord_m.1.1": 0.25,
            "stroke.outer.twist.tip_amplitude_deg": np.float32(30.0),
            "model.steps": np.int64(256),
            "craft.centre_of_mass_m": np.array([0.08, 0.0, 0.0]),
        }
    )
    assert faster.stroke.frequency_hz == 3.0
    assert faster.get("wing.outer.chord_m.1") == (0.25, 0.25)
    assert faster.get("stroke.outer.twist.tip_amplitude_deg") == 30.0
    assert faster.model.steps == 256
    assert faster.craft.centre_of_mass_m == (0.08, 0.0, 0.0)
    assert glasshouse.stroke.frequency_hz == 2.8
    assert faster.folder == glasshouse.folder


def test_the_text_of_a_changed_case_says_what_changed(glasshouse: Case) -> None:
    faster = glasshouse.replace({"stroke.frequency_hz": 3.0})
    assert "frequency_hz = 3.0" in faster.text
    assert parse_case(faster.text, CASES) == faster


def test_replace_begins_a_table_and_takes_one_away(glasshouse: Case) -> None:
    with_tail = glasshouse.replace(
        {
            "craft.tail.area_m2": 0.02,
            "craft.tail.arm_m": 0.3,
            "craft.tail.aspect_ratio": 3.0,
            "craft.tail.angle_deg": -2.0,
        }
    )
    assert with_tail.craft.tail == Tail(0.02, 0.3, 3.0, -2.0)
    assert with_tail.replace({"craft.tail": None}) == glasshouse
    assert glasshouse.replace({"craft.tail": with_tail.craft.tail}) == with_tail
    assert glasshouse.replace({"craft.tail": None, "craft.tail.area_m2": None}) == glasshouse


def test_a_tip_may_be_pointed(glasshouse: Case) -> None:
    assert glasshouse.replace({"wing.outer.chord_m.6.1": 0.0}).get("wing.outer.chord_m.6.1") == 0.0


def test_none_brings_back_the_default(glasshouse: Case) -> None:
    assert glasshouse.replace({"wing.section.suction": None}).wing.section.suction == 1.0


def test_a_schedule_changes_shape_when_its_keys_do(glasshouse: Case) -> None:
    quick = glasshouse.replace(
        {
            "stroke.inner.plunge.shape": "quick-return",
            "stroke.inner.plunge.downstroke_fraction": 0.4,
        }
    )
    assert quick.stroke.inner.plunge == Schedule(
        shape="quick-return", mean_deg=4.0, amplitude_deg=20.4, downstroke_fraction=0.4
    )


def test_replacing_nothing_gives_an_equal_case(glasshouse: Case) -> None:
    assert glasshouse.replace({}) == glasshouse


@pytest.mark.parametrize(
    ("key", "hint"),
    [
        ("stroke.frequncy_hz", "did you mean stroke.frequency_hz?"),
        ("frequency_hz", "did you mean stroke.frequency_hz?"),
        ("stroke.outer.twist.tip_amplitud_deg", "stroke.outer.twist.tip_amplitude_deg?"),
        ("wing.twistaxis", "did you mean wing.twist_axis?"),
        ("flight.speed_m_s", "did you mean flight.airspeed_m_s?"),
        ("stroke.heave.amplitude_deg", "did you mean stroke.heave.amplitude_m?"),
        ("wing.inner.twist_axis", "did you mean wing.twist_axis?"),
        ("strok.frequency_hz", "did you mean stroke?"),
    ],
)
def test_an_unknown_key_path_is_refused_with_the_nearest_one(
    glasshouse: Case, key: str, hint: str
) -> None:
    for attempt in (lambda: glasshouse.get(key), lambda: glasshouse.replace({key: 1.0})):
        with pytest.raises(CaseError) as caught:
            attempt()
        (fault,) = caught.value.faults
        assert fault.file == "glasshouse.toml"
        assert "no such key" in str(fault)
        assert hint in str(fault)


def test_text_that_no_file_can_hold_is_refused(glasshouse: Case) -> None:
    for title in ("\ud800", "\0", "  "):
        with pytest.raises(CaseError) as caught:
            glasshouse.replace({"title": title, "model.wake": title, title: 1})
        str(caught.value).encode()
        assert len(str(caught.value).splitlines()) == 3


@pytest.mark.parametrize(
    ("key", "allowed"),
    [
        ("wing.outer.chord_m.7.1", "an index from 0 to 6"),
        ("wing.outer.chord_m.-1", "an index from 0 to 6"),
        ("wing.outer.chord_m.1.2", "an index from 0 to 1"),
        ("wing.outer.chord_m.one", "an index from 0 to 6"),
        ("wing.outer.chord_m.1.1.0", "no list to index"),
        ("stroke.frequency_hz.0", "no list to index"),
        ("stroke.inner.plunge.cos_deg.0", "no list to index"),
    ],
)
def test_an_index_that_leads_nowhere_is_refused(glasshouse: Case, key: str, allowed: str) -> None:
    for attempt in (lambda: glasshouse.get(key), lambda: glasshouse.replace({key: 1.0})):
        with pytest.raises(CaseError) as caught:
            attempt()
        (fault,) = caught.value.faults
        assert fault.key == key
        assert allowed in fault.allowed


def test_replace_reports_unknown_keys_and_bad_values_together(glasshouse: Case) -> None:
    with pytest.raises(CaseError) as caught:
        glasshouse.replace(
            {
                "stroke.frequncy_hz": 3.0,
                "flight.airspeed_m_s": -1.0,
                "wing.outer.chord_m.9": 1.0,
                "craft.tail.area_m2": 0.02,
            }
        )
    assert {fault.key for fault in caught.value.faults} == {
        "stroke.frequncy_hz",
        "flight.airspeed_m_s",
        "wing.outer.chord_m.9",
        "craft.tail.arm_m",
        "craft.tail.aspect_ratio",
        "craft.tail.angle_deg",
    }


# --- air ---------------------------------------------------------------------------------------


def test_air_is_given_by_its_density_or_by_an_altitude(glasshouse: Case) -> None:
    assert glasshouse.air.density == 1.225
    assert glasshouse.air.kinematic_viscosity == 1.46e-5
    high = glasshouse.replace({"air": {"altitude_m": 1500.0}})
    assert 1.0 < high.air.density < 1.1
    warm = high.replace({"air.temperature_c": 30.0})
    assert warm.air.density < high.air.density
    assert warm.air.kinematic_viscosity > high.air.kinematic_viscosity
