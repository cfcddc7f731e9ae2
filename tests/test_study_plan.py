"""Plan files: every fault is reported, and the points are the intended ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flapsim.faults import CaseError
from flapsim.study.reading import parse_study, read_study
from flapsim.study.sampling import boxes, points_of

CASES = Path(__file__).parents[1] / "cases"
PITCH = '[[axis]]\nkey = "flight.pitch_deg"\n'
BASE = 'base = "glasshouse.toml"\n'


def faults(text: str) -> str:
    with pytest.raises(CaseError) as caught:
        parse_study(text, CASES, "plan.toml")
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "plan.toml: base: missing"),
        (BASE, "plan.toml: axis: missing, expected at least one table"),
        (BASE + "axis = []", "plan.toml: axis: expected at least one table"),
        (BASE + "smples = 3\n" + PITCH + "values = [1]", "did you mean samples?"),
        (BASE + PITCH, "plan.toml: axis.0.from: missing"),
        (BASE + PITCH + "from = 1\nto = 2", "plan.toml: axis.0.count: missing"),
        (
            BASE + PITCH + "from = 1\nto = 1\ncount = 3",
            "axis.0.to: expected a number other than 1, found 1",
        ),
        (BASE + PITCH + "from_ = 1\nto = 2\ncount = 3", "axis.0.from_: no such key"),
        (
            BASE + PITCH + "values = [1]\ncount = 3",
            "axis.0.count: give either values or count, not both",
        ),
        (BASE + PITCH + "values = [1, true]", "expected a number >= -180 and <= 180, found true"),
        (BASE + PITCH + "values = [1, nan]", "expected a number >= -180 and <= 180, found nan"),
        (
            BASE + PITCH + 'from = 0\nto = 2\ncount = 3\nspacing = "logarithmic"',
            'axis.0.from: expected a number > 0, found 0; spacing is "logarithmic"',
        ),
        (BASE + PITCH + "values = [1]\n" + PITCH + "values = [2]", "axis.1.key:"),
        (
            BASE + '[[axis]]\nkey = "flight.pich_deg"\nvalues = [1]',
            "did you mean flight.pitch_deg?",
        ),
        (BASE + '[[axis]]\nkey = "flight"\nvalues = [1]', "the key of a single value"),
        (
            BASE + '[[axis]]\nkey = "stroke.frequency_hz"\nfrom = -1\nto = 2\ncount = 3',
            "axis.0.from: expected a number > 0, found -1.0; for stroke.frequency_hz",
        ),
        (
            BASE + '[[axis]]\nkey = "wing.outer.chord_m.9.1"\nvalues = [0.1]',
            "expected an index from 0 to 6",
        ),
        (
            BASE + '[[axis]]\nkey = "model.induced"\nvalues = ["slop"]',
            'did you mean "slope"?',
        ),
        (BASE + 'sampling = "sobol"\n' + PITCH + "from = 1\nto = 2", "samples: missing"),
        (
            BASE + 'sampling = "sobol"\nsamples = 100\n' + PITCH + "from = 1\nto = 2",
            "samples: expected a power of two, found 100; such as 128",
        ),
        (
            BASE + 'sampling = "sobol"\nsamples = 64\n' + PITCH + "from = 1\nto = 2\ncount = 3",
            "axis.0.count: applies to a grid only",
        ),
        (BASE + "samples = 4\n" + PITCH + "values = [1]", "samples: does not apply to a grid"),
        (BASE + 'set = { "flight.pitch" = 3 }\n' + PITCH + "values = [1]", "set.flight.pitch"),
        (
            BASE + 'set = { "flight.pitch_deg" = 3 }\n' + PITCH + "values = [1]",
            "axis.0.key: flight.pitch_deg is already given by set",
        ),
        (
            BASE + PITCH + 'values = [1]\n[trim]\nfree = ["flight.pitch_deg"]',
            "trim.free.0",
        ),
        (
            BASE + PITCH + 'values = [1]\n[trim]\nfree = ["stroke.frequency_hz"]\nhold = ["lft"]',
            "trim.hold: expected",
        ),
        (
            BASE + PITCH + 'values = [1, 2]\ntogether = "a"\n[[axis]]\n'
            'key = "stroke.frequency_hz"\nvalues = [2]\ntogether = "a"',
            "axis.1.together: expected 2 values as in axis.0, found 1 value",
        ),
        (BASE + '[[axis]]\nfile = "no_such_rows.csv"', "no_such_rows.csv"),
        ('base = "glashouse.toml"\n' + PITCH + "values = [1]", "glasshouse.toml"),
    ],
)
def test_a_fault_is_reported_with_its_key(text: str, message: str) -> None:
    assert message in faults(text)


def test_a_change_from_the_command_line_is_checked_with_the_plan() -> None:
    text = BASE + '[[axis]]\nkey = "wing.outer.chord_m.6.1"\nvalues = [0.1]'
    assert parse_study(text, CASES, changes={"craft.mass_kg": 0.3}).case.craft.mass_kg == 0.3
    short = {"wing.outer.chord_m": [[0.0, 0.2], [1.0, 0.1]]}
    with pytest.raises(CaseError, match="expected an index from 0 to 1"):
        parse_study(text, CASES, changes=short)
    with pytest.raises(CaseError, match=r"flight\.pitch_deg is already given by --set"):
        parse_study(BASE + PITCH + "values = [1]", CASES, changes={"flight.pitch_deg": 2.0})


def test_all_faults_are_reported_at_once() -> None:
    text = (
        BASE + '[[axis]]\nkey = "flight.pich_deg"\nvalues = [1]\n'
        '[[axis]]\nkey = "stroke.frequency_hz"\nvalues = [2.0, -1.0, 0.0]\n'
    )
    lines = faults(text).splitlines()
    assert [line.split(": ")[1] for line in lines] == [
        "axis.0.key",
        "axis.1.values.1",
        "axis.1.values.2",
    ]


def test_a_missing_case_does_not_hide_wrong_keys() -> None:
    said = faults('base = "glashouse.toml"\n[[axis]]\nkey = "flight.pich_deg"\nvalues = [1]')
    assert "glashouse.toml: no such file" in said
    assert "axis.0.key" in said


def test_a_fault_in_a_file_of_rows_names_its_line(tmp_path: Path) -> None:
    (tmp_path / "case.toml").write_text((CASES / "glasshouse.toml").read_text("utf-8"), "utf-8")
    rows = "# designs\nstroke.frequency_hz, model.induced\n2.0, slope\n-3.0, none\n"
    (tmp_path / "rows.csv").write_text(rows)
    with pytest.raises(CaseError, match=r"rows.csv: line 4: expected a number > 0, found -3.0"):
        parse_study('base = "case.toml"\n[[axis]]\nfile = "rows.csv"', tmp_path)


def test_a_file_of_rows_is_one_axis_with_all_its_keys(tmp_path: Path) -> None:
    (tmp_path / "case.toml").write_text((CASES / "glasshouse.toml").read_text("utf-8"), "utf-8")
    (tmp_path / "designs.csv").write_text(
        "stroke.frequency_hz,model.induced\n2.0,slope\n3.0,none\n2.5,slope\n"
    )
    points = points_of(parse_study('base = "case.toml"\n[[axis]]\nfile = "designs.csv"', tmp_path))
    assert points.names == ("designs",)
    assert points.shape == (3,)
    columns = points.columns(1, 3)
    assert columns["stroke.frequency_hz"].tolist() == [3.0, 2.5]
    assert columns["model.induced"].tolist() == ["none", "slope"]


def study_points(axes: str, **plan: object) -> object:
    text = BASE + "".join(f"{k} = {v!r}\n".replace("'", '"') for k, v in plan.items()) + axes
    return points_of(parse_study(text, CASES))


TWO = (
    PITCH + "from = 0.0\nto = 8.0\n{0}[[axis]]\n"
    'key = "stroke.frequency_hz"\nfrom = 1.0\nto = 4.0\nspacing = "logarithmic"\n{1}'
)


def test_a_grid_takes_every_combination_on_even_and_geometric_steps() -> None:
    points = study_points(TWO.format("count = 3\n", "count = 3\n"))
    columns = points.columns(0, 9)
    assert points.shape == (3, 3)
    np.testing.assert_allclose(columns["flight.pitch_deg"], np.repeat([0.0, 4.0, 8.0], 3))
    np.testing.assert_allclose(columns["stroke.frequency_hz"], [1.0, 2.0, 4.0] * 3)


def test_axes_that_step_together_are_one_dimension() -> None:
    points = study_points(
        PITCH + 'values = [1.0, 2.0]\ntogether = "pair"\n[[axis]]\n'
        'key = "stroke.frequency_hz"\nvalues = [3.0, 2.0]\ntogether = "pair"\n'
    )
    assert points.names == ("pair",)
    assert points.columns(0, 2)["stroke.frequency_hz"].tolist() == [3.0, 2.0]


def test_axes_that_change_more_than_numbers_come_first() -> None:
    points = study_points(
        PITCH + 'values = [1.0, 2.0]\n[[axis]]\nkey = "model.induced"\nvalues = ["slope", "none"]\n'
    )
    assert points.names == ("model.induced", "flight.pitch_deg")


@pytest.mark.parametrize("sampling", ["latin-hypercube", "sobol", "saltelli"])
def test_samples_do_not_depend_on_how_they_are_split(sampling: str) -> None:
    def fresh() -> object:
        return study_points(TWO.format("", ""), sampling=sampling, samples=64, seed=5)

    whole = fresh().columns(0, 64)
    other = fresh()
    for start, stop in ((40, 64), (0, 7), (7, 40)):
        for key, values in other.columns(start, stop).items():
            np.testing.assert_array_equal(values, whole[key][start:stop])


def test_a_latin_hypercube_has_one_point_in_each_stratum() -> None:
    points = study_points(TWO.format("", ""), sampling="latin-hypercube", samples=50, seed=2)
    strata = np.sort((points.columns(0, 50)["flight.pitch_deg"] / 8.0 * 50).astype(int))
    assert strata.tolist() == list(range(50))


def test_the_seed_determines_the_sample() -> None:
    samples = [
        study_points(TWO.format("", ""), sampling="sobol", samples=8, seed=seed).columns(0, 8)
        for seed in (1, 1, 2)
    ]
    key = "flight.pitch_deg"
    assert np.array_equal(samples[0][key], samples[1][key])
    assert not np.array_equal(samples[0][key], samples[2][key])


@given(st.lists(st.integers(1, 5), min_size=1, max_size=4), st.data())
def test_boxes_cover_a_run_of_points_once_and_in_order(
    shape: list[int], data: st.DataObject
) -> None:
    total = int(np.prod(shape))
    start = data.draw(st.integers(0, total))
    stop = data.draw(st.integers(start, total))
    numbers = np.arange(total).reshape(shape)
    covered = [numbers[box].ravel() for box, _ in boxes(start, stop, shape)]
    sizes = [size for _, size in boxes(start, stop, shape)]
    assert [len(part) for part in covered] == sizes
    joined = np.concatenate(covered) if covered else np.zeros(0)
    np.testing.assert_array_equal(joined, np.arange(start, stop))


@pytest.mark.parametrize(
    "name", ["twist_map.toml", "planform_study.toml", "passive_stiffness.toml"]
)
def test_the_shipped_plans_are_valid(name: str) -> None:
    assert points_of(read_study(CASES / name)).count > 100
