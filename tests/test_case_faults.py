"""A wrong case file is refused with every fault: file, key, what was found, what is expected."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flapsim.case import Case, parse_case, read_case
from flapsim.case.case import known_keys
from flapsim.faults import CaseError, Fault

CASES = Path(__file__).parents[1] / "cases"
SOUND = (CASES / "glasshouse.toml").read_text(encoding="utf-8")
NAME = "broken.toml"

AIR = "density_kg_m3 = 1.225\nkinematic_viscosity_m2_s = 1.46e-5\n"
STATIONS = "chord_m = [[0.0, 0.28], [1.0, 0.27]]"
INNER = "plunge = { mean_deg = 4.0, amplitude_deg = 20.4 }"
INNER_TWIST = "twist = { tip_amplitude_deg = 10.5, tip_lag_deg = -72.0 }"
SWEEP = "sweep = { amplitude_deg = 0.0 }"
STALL = "stall_deg = 12.0"
LAW = 'law = "thin-plate"'
HEAVE = "plane_deg = 0.0\nheave"
PASSIVE = 'mode = "passive", stiffness_n_m_rad = 0.1'


def faults_of(text: str) -> tuple[Fault, ...]:
    with pytest.raises(CaseError) as caught:
        parse_case(text, CASES, NAME)
    return caught.value.faults


def broken(old: str, new: str) -> str:
    """The sound case with one thing changed."""
    assert SOUND.count(old) >= 1, old
    return SOUND.replace(old, new, 1)


# What is written, what is written instead, the key at fault, what its message says is allowed.
BROKEN = [
    # numbers out of range
    ("frequency_hz = 2.8", "frequency_hz = -2.8", "stroke.frequency_hz", "a number > 0"),
    ("frequency_hz = 2.8", "frequency_hz = 0", "stroke.frequency_hz", "a number > 0"),
    ("density_kg_m3 = 1.225", "density_kg_m3 = 0.0", "air.density_kg_m3", "a number > 0"),
    ("= 1.46e-5", "= -1.46e-5", "air.kinematic_viscosity_m2_s", "a number > 0"),
    ("mass_kg = 0.24", "mass_kg = -0.24", "craft.mass_kg", "a number >= 0"),
    ("airspeed_m_s = 5.0", "airspeed_m_s = -5.0", "flight.airspeed_m_s", "a number >= 0"),
    ("pitch_deg = 3.8", "pitch_deg = 380", "flight.pitch_deg", "a number >= -180 and <= 180"),
    ("climb_deg = 0.0", "climb_deg = 91", "flight.climb_deg", "a number >= -90 and <= 90"),
    ("twist_axis = 0.20", "twist_axis = 20", "wing.twist_axis", "a number >= 0 and <= 1"),
    ("suction = 0.8", "suction = 1.1", "wing.section.suction", "a number >= 0 and <= 1"),
    ("length_m = 0.22", "length_m = 0.0", "wing.inner.length_m", "a number > 0"),
    ("skin_kg_m2 = 0.15", "skin_kg_m2 = -1", "wing.inner.skin_kg_m2", "a number >= 0"),
    ("strips = 12", "strips = 1", "wing.inner.strips", "a whole number >= 2 and <= 200"),
    ("strips = 12", "strips = 201", "wing.inner.strips", "a whole number >= 2 and <= 200"),
    ("steps = 128", "steps = 8", "model.steps", "an even whole number >= 16 and <= 4096"),
    ("steps = 128", "steps = 4098", "model.steps", "an even whole number >= 16 and <= 4096"),
    ("gear_efficiency = 0.78", "gear_efficiency = 78", "drive.gear_efficiency", "> 0 and <= 1"),
    ("gear_ratio = 50.0", "gear_ratio = 0", "drive.gear_ratio", "a number > 0"),
    ("regeneration = 0.0", "regeneration = 1.5", "drive.regeneration", ">= 0 and <= 1"),
    ("voltage_v = 7.4", "voltage_v = 0", "drive.battery.voltage_v", "a number > 0"),
    # numbers that are none
    ("steps = 128", "steps = 127", "model.steps", "an even whole number"),
    ("steps = 128", "steps = 128.5", "model.steps", "an even whole number"),
    ("frequency_hz = 2.8", "frequency_hz = nan", "stroke.frequency_hz", "a number > 0"),
    ("frequency_hz = 2.8", "frequency_hz = inf", "stroke.frequency_hz", "a number > 0"),
    ("pitch_deg = 3.8", "pitch_deg = -inf", "flight.pitch_deg", "a number"),
    ("frequency_hz = 2.8", "frequency_hz = true", "stroke.frequency_hz", "a number > 0"),
    ("frequency_hz = 2.8", 'frequency_hz = "2.8"', "stroke.frequency_hz", "a number > 0"),
    ("frequency_hz = 2.8", "frequency_hz = [2.8]", "stroke.frequency_hz", "a number > 0"),
    ("frequency_hz = 2.8", "frequency_hz = {}", "stroke.frequency_hz", "a number > 0"),
    ("frequency_hz = 2.8", "frequency_hz = 2026-01-01", "stroke.frequency_hz", "a number > 0"),
    ("mass_kg = 0.24", "mass_kg = 1" + "0" * 400, "craft.mass_kg", "a number >= 0"),
    ("mass_kg = 0.24", "mass_kg = 1e300", "craft.mass_kg", "a number >= 0"),
    ("steps = 128", "steps = 9" + "0" * 60, "model.steps", "an even whole number"),
    # words, switches and lists
    ('"lifting-line"', '"lifting line"', "model.induced", '"lifting-line" or "slope" or "none"'),
    ('"lifting-line"', "3", "model.induced", '"lifting-line" or "slope" or "none"'),
    ('wake = "indicial"', 'wake = "none"', "model.wake", '"indicial" or "quasi-steady"'),
    ('"finite-wing"', '"3d"', "model.wake_lag", '"finite-wing" or "two-dimensional"'),
    ('stall = "static"', 'stall = "dynamic"', "model.stall", '"static" or "lagged"'),
    ("apparent_mass = true", "apparent_mass = 1", "model.apparent_mass", "true or false"),
    (LAW, 'law = "flat-plate"', "wing.section.law", '"thin-plate"'),
    ('friction = "turbulent"', 'friction = "rough"', "wing.section.friction", "or a number >= 0"),
    ('friction = "turbulent"', "friction = -0.01", "wing.section.friction", "or a number >= 0"),
    ('friction = "turbulent"', "friction = false", "wing.section.friction", "or a number >= 0"),
    ("= [0.077, 0.0, 0.0]", "= [0.077, 0.0]", "craft.centre_of_mass_m", "a list of 3 numbers"),
    ("= [0.077, 0.0, 0.0]", "= 0.077", "craft.centre_of_mass_m", "a list of 3 numbers"),
    ("= [0.077, 0.0, 0.0]", '= [0.077, "a", 0]', "craft.centre_of_mass_m.1", "a number"),
    ('title = "Glasshouse surveyor, cruise along a row"', 'title = ""', "title", "text"),
    ('title = "Glasshouse surveyor, cruise along a row"', "title = 3", "title", "text"),
    # chord stations
    (STATIONS, "chord_m = 0.28", "wing.inner.chord_m", "at least two pairs"),
    (STATIONS, "chord_m = [[0.0, 0.28]]", "wing.inner.chord_m", "at least two pairs"),
    (STATIONS, "chord_m = [[0.0, 0.28], [1.0]]", "wing.inner.chord_m.1", "a pair"),
    (STATIONS, "chord_m = [0.28, 0.27]", "wing.inner.chord_m.0", "a pair"),
    (STATIONS, "chord_m = [[0.1, 0.3], [1.0, 0.3]]", "wing.inner.chord_m.0.0", "fraction of 0"),
    (STATIONS, "chord_m = [[0.0, 0.3], [0.9, 0.3]]", "wing.inner.chord_m.1.0", "fraction of 1"),
    (STATIONS, "chord_m = [[0.0, 0.3], [1.1, 0.3]]", "wing.inner.chord_m.1.0", "<= 1"),
    (
        STATIONS,
        "chord_m = [[0.0, 0.3], [0.5, 0.3], [0.5, 0.2], [1.0, 0.2]]",
        "wing.inner.chord_m.2.0",
        "a fraction > 0.5",
    ),
    (STATIONS, "chord_m = [[0.0, 0.3], [1.0, -1]]", "wing.inner.chord_m.1.1", "a number >= 0"),
    (
        STATIONS,
        "chord_m = [[0.0, 0.3], [0.5, 0.0], [1.0, 0.3]]",
        "wing.inner.chord_m.1.1",
        "a number > 0",
    ),
    (STATIONS, "chord_m = [[0.0, 0.0], [1.0, 0.0]]", "wing.inner.chord_m.0.1", "a number > 0"),
    # keys and tables that are missing, unknown or of the wrong kind
    ("frequency_hz = 2.8", "", "stroke.frequency_hz", "a number > 0"),
    ("mass_kg = 0.24", "", "craft.mass_kg", "a number >= 0"),
    (LAW + ",", "", "wing.section.law", '"thin-airfoil"'),
    (STATIONS, "", "wing.inner.chord_m", "at least two pairs"),
    ("[flight]", "[flights]", "flight", "a table with airspeed_m_s"),
    ("mass_kg = 0.24", "weight_kg = 0.24", "craft.weight_kg", "one of mass_kg"),
    ("twist_axis = 0.20", "twist_axis = 0.2\nspan_m = 1", "wing.span_m", "one of twist_axis"),
    ("[model]", "[modell]", "modell", "one of title"),
    ("[flight]", "[[flight]]", "flight", "a table with airspeed_m_s"),
    (INNER, "plunge = 20.4", "stroke.inner.plunge", "a table with shape"),
    ('section = { law = "thin-plate"', 'sections = { law = "thin-plate"', "wing.section", "law"),
    # air: one way or the other
    ("density_kg_m3 = 1.225\n", "", "air.density_kg_m3", "a number > 0"),
    (AIR, "", "air.density_kg_m3", "a number > 0"),
    (AIR, AIR + "altitude_m = 100\n", "air.density_kg_m3", "not both"),
    (AIR, AIR + "temperature_c = 20\n", "air.temperature_c", "needs altitude_m"),
    (AIR, "altitude_m = 25000\n", "air.altitude_m", ">= -1000 and <= 20000"),
    (AIR, "altitude_m = 0\ntemperature_c = 293\n", "air.temperature_c", ">= -90 and <= 60"),
    # section: what belongs to which law, and a stall that fits
    (LAW, 'law = "thin-plate", file = "x.csv"', "wing.section.file", 'with law = "polar" only'),
    (LAW, 'law = "polar"', "wing.section.file", "the name of a CSV file"),
    (STALL, "stall_deg = 3.0", "wing.section.stall_deg", "within 0 and below 90"),
    (STALL, "stall_deg = 87.0", "wing.section.stall_deg", "within 0 and below 90"),
    (STALL, "stall_deg = 12.0, stall_width_deg = 25", "wing.section.stall_width_deg", "within 0"),
    (STALL, "stall_deg = 12.0, stall_width_deg = 0", "wing.section.stall_width_deg", "> 0"),
    # schedules: what belongs to which shape
    (INNER, "plunge = { amplitud_deg = 20 }", "stroke.inner.plunge.amplitud_deg", "amplitude_deg"),
    (INNER, 'plunge = { shape = "sine" }', "stroke.inner.plunge.shape", '"harmonic"'),
    (INNER, "plunge = { crank_m = 0.01 }", "stroke.inner.plunge.crank_m", "mean_deg"),
    (
        INNER,
        "plunge = { downstroke_fraction = 0.4 }",
        "stroke.inner.plunge.downstroke_fraction",
        'with shape = "quick-return" only',
    ),
    (
        INNER,
        'plunge = { shape = "quick-return", downstroke_fraction = 0.1 }',
        "stroke.inner.plunge.downstroke_fraction",
        ">= 0.2 and <= 0.8",
    ),
    (INNER, 'plunge = { shape = "fourier" }', "stroke.inner.plunge.cos_deg", "one coefficient"),
    (
        INNER,
        'plunge = { shape = "fourier", cos_deg = [20], amplitude_deg = 20 }',
        "stroke.inner.plunge.amplitude_deg",
        "takes mean_deg, cos_deg, sin_deg",
    ),
    (
        INNER,
        f'plunge = {{ shape = "fourier", sin_deg = {[1] * 25} }}',
        "stroke.inner.plunge.sin_deg",
        "at most 24",
    ),
    (
        INNER,
        'plunge = { shape = "linkage", crank_m = 0.01, rocker_m = 0.035, base_m = 0.04 }',
        "stroke.inner.plunge.coupler_m",
        "a number > 0",
    ),
    (INNER, 'plunge = { shape = "samples" }', "stroke.inner.plunge.file", "a CSV file in quotes"),
    (
        INNER,
        'plunge = { shape = "samples", file = "absent.csv" }',
        "stroke.inner.plunge.file",
        'no file "absent.csv"',
    ),
    (INNER, "plunge = { lag_deg = 400 }", "stroke.inner.plunge.lag_deg", "<= 360"),
    ("plane_deg = 0.0", HEAVE + " = { amplitude_deg = 3 }", "stroke.heave.amplitude_deg", "one of"),
    ("plane_deg = 0.0", HEAVE + ' = { shape = "linkage" }', "stroke.heave.shape", '"harmonic"'),
    # segments
    (INNER, INNER + "\n" + SWEEP, "stroke.inner.sweep", "the inner segment has no sweep hinge"),
    (
        INNER,
        INNER + "\n[stroke.port.inner]\nsweep = {}\n[stroke.inner.twist]",
        "stroke.port.inner.sweep",
        "the inner segment has no sweep hinge",
    ),
    # twist: what belongs to which mode
    (INNER_TWIST, 'twist = { mode = "free" }', "stroke.inner.twist.mode", '"driven"'),
    (INNER_TWIST, 'twist = { mode = "servo" }', "stroke.inner.twist.bandwidth_hz", "> 0"),
    (INNER_TWIST, 'twist = { mode = "passive" }', "stroke.inner.twist.stiffness_n_m_rad", ">= 0"),
    (INNER_TWIST, "twist = { rest_deg = 2 }", "stroke.inner.twist.rest_deg", 'mode = "driven"'),
    (
        INNER_TWIST,
        "twist = { bandwidth_hz = 9 }",
        "stroke.inner.twist.bandwidth_hz",
        'mode = "driven"',
    ),
    (
        INNER_TWIST,
        f"twist = {{ {PASSIVE}, tip_amplitude_deg = 9 }}",
        "stroke.inner.twist.tip_amplitude_deg",
        'mode = "passive"',
    ),
    (
        INNER_TWIST,
        f"twist = {{ {PASSIVE}, torque_limit_n_m = 9 }}",
        "stroke.inner.twist.torque_limit_n_m",
        'mode = "passive"',
    ),
    (
        INNER_TWIST,
        f"twist = {{ {PASSIVE}, stops_deg = [40, -40] }}",
        "stroke.inner.twist.stops_deg",
        "the lower stop before the upper one",
    ),
    (
        INNER_TWIST,
        f"twist = {{ {PASSIVE}, rest_deg = 50, stops_deg = [-40, 40] }}",
        "stroke.inner.twist.stops_deg",
        "stops on either side of rest_deg = 50",
    ),
    (
        INNER_TWIST,
        f"twist = {{ {PASSIVE}, tip_angle = 9 }}",
        "stroke.inner.twist.tip_angle",
        "one of mode, tip_*",
    ),
    (INNER_TWIST, "twist = { tip_crank_m = 1 }", "stroke.inner.twist.tip_crank_m", "lag_deg"),
    (INNER_TWIST, "twist = { amplitude_deg = 9 }", "stroke.inner.twist.amplitude_deg", "tip_*"),
    # tables that need each other
    ("[wing.outer]", "[craft.outer]", "stroke.outer", "there is no wing.outer"),
    ("[stroke.outer]", "[stroke.port.outer]", "stroke.outer", "a table"),
    ("steps = 128", "modes = 13", "model.modes", "a whole number <= 12"),
    ("battery = {", "batery = {", "drive.battery", "a table with voltage_v"),
]


@pytest.mark.parametrize(
    ("old", "new", "key", "allowed"), BROKEN, ids=[f"{row[2]}-{row[1][:30]}" for row in BROKEN]
)
def test_a_broken_case_names_file_key_and_what_is_allowed(
    old: str, new: str, key: str, allowed: str
) -> None:
    faults = faults_of(broken(old, new))
    messages = [str(fault) for fault in faults if fault.key == key]
    assert messages, [str(fault) for fault in faults]
    assert messages[0].startswith(f"{NAME}: {key}: ")
    assert allowed in messages[0]
    assert len(messages) == 1
    assert messages[0].count("\n") == 0
    assert len(messages[0]) < 400


LEAVES = [
    key
    for key in known_keys()
    if "port" not in key and parse_case(SOUND, CASES).get(key) is not None
]


@pytest.mark.parametrize("key", LEAVES)
def test_no_key_takes_a_value_of_an_absurd_type(key: str) -> None:
    case = parse_case(SOUND, CASES, NAME)
    for value in (float("nan"), float("-inf"), 10**5000, object(), [[[]]], {"x": {"y": 1}}, b"x"):
        with pytest.raises(CaseError) as caught:
            case.replace({key: value})
        assert all(fault.file == NAME for fault in caught.value.faults)
        assert any(fault.key.startswith(key) for fault in caught.value.faults)


def test_all_faults_are_reported_at_once() -> None:
    text = SOUND
    for old, new in (
        ("frequency_hz = 2.8", "frequency_hz = -2.8"),
        ("airspeed_m_s = 5.0", "airspeed_m_s = nan"),
        ("mass_kg = 0.24", "mas_kg = 0.24"),
        (STATIONS, "chord_m = [[0.0, -0.28], [1.0, -0.27]]"),
        ('induced = "lifting-line"', 'induced = "lifting-lines"'),
        (INNER, 'plunge = { shape = "samples", mean_deg = 4.0 }'),
        ("gear_ratio = 50.0", ""),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    faults = faults_of(text)
    assert sorted(fault.key for fault in faults) == [
        "craft.mas_kg",
        "craft.mass_kg",
        "drive.gear_ratio",
        "flight.airspeed_m_s",
        "model.induced",
        "stroke.frequency_hz",
        "stroke.inner.plunge.file",
        "stroke.inner.plunge.mean_deg",
        "wing.inner.chord_m.0.1",
        "wing.inner.chord_m.1.1",
    ]
    with pytest.raises(CaseError) as caught:
        parse_case(text, CASES, NAME)
    assert len(str(caught.value).splitlines()) == len(faults)


def test_an_empty_file_misses_every_required_table() -> None:
    assert {fault.key for fault in faults_of("")} == {
        "title",
        "air",
        "craft",
        "flight",
        "wing",
        "stroke",
    }
    assert "missing" in str(faults_of("")[0])


def test_a_message_reads_as_a_sentence_for_people() -> None:
    (fault,) = faults_of(broken("frequency_hz = 2.8", "frequency_hz = -2.8"))
    assert str(fault) == (
        "broken.toml: stroke.frequency_hz: expected a number > 0, found -2.8; "
        "flapping frequency (Hz)"
    )
    (fault, missing) = faults_of(broken("frequency_hz = 2.8", "frequncy_hz = 2.8"))
    assert str(fault) == (
        "broken.toml: stroke.frequncy_hz: no such key, expected one of frequency_hz, plane_deg, "
        "heave, inner, outer, port; did you mean stroke.frequency_hz?"
    )
    assert str(missing) == (
        "broken.toml: stroke.frequency_hz: missing, expected a number > 0; flapping frequency (Hz)"
    )


@pytest.mark.parametrize(
    ("old", "new", "hint"),
    [
        ("mass_kg", "mass", "did you mean craft.mass_kg?"),
        ("airspeed_m_s", "speed_m_s", "did you mean flight.airspeed_m_s?"),
        ("tip_lag_deg = -72.0", "tip_leg_deg = -72.0", "stroke.inner.twist.tip_lag_deg?"),
        ("pitch_deg = 3.8", "pitch_deg = 3.8\nfrequency_hz = 2", "stroke.frequency_hz?"),
        ("[drive]", "[driver]", "did you mean drive?"),
        ('induced = "lifting-line"', 'induced = "liftingline"', 'did you mean "lifting-line"?'),
        ('law = "thin-plate"', 'law = "Thin-Plate"', 'did you mean "thin-plate"?'),
    ],
)
def test_a_misspelling_is_answered_with_the_nearest_word(old: str, new: str, hint: str) -> None:
    assert any(hint in str(fault) for fault in faults_of(broken(old, new)))


# --- text that is no TOML ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (broken("frequency_hz = 2.8", "frequency_hz = 2.8\nfrequency_hz = 2.8"), "frequency_hz"),
        (broken("[flight]", "[air]"), "[air]"),
        (broken("frequency_hz = 2.8", "frequency_hz 2.8"), "frequency_hz 2.8"),
        (broken("frequency_hz = 2.8", "frequency_hz = "), "frequency_hz ="),
        (broken("frequency_hz = 2.8", "frequency_hz = 2,8"), "2,8"),
        (broken("frequency_hz = 2.8", "frequency_hz = 02.8"), "02.8"),
        (broken("[stroke]", "[stroke"), "[stroke"),
        (broken('law = "thin-plate"', 'law = "thin-plate'), "thin-plate"),
    ],
    ids=["twice", "table twice", "no =", "no value", "comma", "zero", "bracket", "quote"],
)
def test_a_syntax_fault_names_its_line(text: str, line: str) -> None:
    (fault,) = faults_of(text)
    assert fault.file == NAME
    assert str(fault).startswith(f"{NAME}: {fault.key}: not valid TOML: ")
    number = int(fault.key.removeprefix("line "))
    assert line in text.splitlines()[number - 1]
    assert "the line reads" in fault.allowed


@pytest.mark.parametrize(
    "text",
    ["[" * 100_000, "x = " + "[" * 100_000, "x = 1" + "0" * 5000, "x = 2026-13-45", "x = [1,"],
    ids=["brackets", "nested lists", "endless integer", "impossible date", "cut off"],
)
def test_absurd_text_is_one_fault(text: str) -> None:
    (fault,) = faults_of(text)
    assert str(fault).startswith(f"{NAME}: ")


# --- files that are no case --------------------------------------------------------------------


def fault_of_file(path: Path) -> Fault:
    with pytest.raises(CaseError) as caught:
        read_case(path)
    (fault,) = caught.value.faults
    return fault


def test_a_missing_file_is_a_fault_with_the_nearest_name(tmp_path: Path) -> None:
    (tmp_path / "glasshouse.toml").write_text(SOUND, encoding="utf-8")
    fault = fault_of_file(tmp_path / "glashouse.toml")
    assert fault.file == "glashouse.toml"
    assert str(fault).startswith("glashouse.toml: no such file; did you mean ")
    assert "glasshouse.toml" in str(fault)


def test_a_folder_is_a_fault(tmp_path: Path) -> None:
    assert "this is a folder" in str(fault_of_file(tmp_path))


def test_a_binary_file_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "picture.toml"
    path.write_bytes(b"\x89PNG\r\n\x1a\n\x00\xff\xfe")
    assert "not UTF-8 (byte 0x89" in str(fault_of_file(path))


def test_a_text_with_null_bytes_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "null.toml"
    path.write_bytes(b"title = \x00")
    assert "not valid TOML" in str(fault_of_file(path))


def test_a_huge_file_is_a_fault_before_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "huge.toml"
    with path.open("wb") as file:
        file.truncate(6_000_000)
    assert "at most" in fault_of_file(path).allowed


def test_a_name_that_no_file_can_have_is_a_fault() -> None:
    assert "cannot be read" in str(fault_of_file(Path("x" * 5000)))


def test_an_empty_file_on_disk_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "empty.toml"
    path.write_text("", encoding="utf-8")
    with pytest.raises(CaseError, match=r"empty\.toml: stroke: missing"):
        read_case(path)


# --- anything at all ---------------------------------------------------------------------------

SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.dates()
    | st.sampled_from(["harmonic", "samples", "linkage", "passive", "polar", 10**400])
)
NAMES = st.sampled_from(sorted({name for key in known_keys() for name in key.split(".")}))
ANYTHING = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=150)
@given(changes=st.dictionaries(st.sampled_from(known_keys()), ANYTHING, min_size=1, max_size=3))
def test_whatever_is_put_at_a_key_gives_a_case_or_faults(changes: dict[str, Any]) -> None:
    case = parse_case(SOUND, CASES, NAME)
    with contextlib.suppress(CaseError):
        changed = case.replace(changes)
        assert isinstance(changed, Case)
        assert parse_case(changed.to_toml(), CASES) == changed


@settings(max_examples=150)
@given(path=st.text(max_size=30) | st.lists(NAMES | st.text(max_size=3)).map(".".join))
def test_whatever_is_asked_for_gives_a_value_or_faults(path: str) -> None:
    with contextlib.suppress(CaseError):
        parse_case(SOUND, CASES, NAME).get(path)


@settings(max_examples=150)
@given(text=st.text(), at=st.integers(0, len(SOUND)), gone=st.integers(0, 40))
def test_a_damaged_file_gives_a_case_or_faults(text: str, at: int, gone: int) -> None:
    damaged = SOUND[:at] + text + SOUND[at + gone :]
    with contextlib.suppress(CaseError):
        parse_case(damaged, CASES, NAME)
