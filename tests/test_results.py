"""A cycle on disk comes back as it was, and other tools open it by name."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray

from flapsim.case import read_case
from flapsim.cycle.files import SCHEMA_VERSION, ResultError, read_cycle, write_cycle
from flapsim.cycle.simulate import Cycle, simulate

CASES = Path(__file__).parents[1] / "cases"


@pytest.fixture(scope="module")
def cycle() -> Cycle:
    return replace(
        simulate(read_case(CASES / "glasshouse.toml")),
        notes=("a first thing to distrust", "and a second: 20–50 %"),
    )


@pytest.fixture
def stored(cycle: Cycle, tmp_path: Path) -> Path:
    write_cycle(cycle, tmp_path / "cruise.h5")
    return tmp_path / "cruise.h5"


def assert_same(first: Cycle, second: Cycle) -> None:
    assert first.case == second.case
    assert first.case.text == second.case.text
    assert first.notes == second.notes
    for name in ("phase", "time"):
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))
    for name in ("series", "mean", "peak", "check", "strips"):
        one, other = getattr(first, name), getattr(second, name)
        assert one.keys() == other.keys()
        for key in one:
            np.testing.assert_array_equal(one[key], other[key], err_msg=f"{name}.{key}")
    np.testing.assert_array_equal(first.multipliers, second.multipliers)
    for name in ("segments", "twist"):
        one, other = getattr(first, name), getattr(second, name)
        assert one.keys() == other.keys()
        for segment in one:
            np.testing.assert_equal(one[segment], other[segment])


@pytest.mark.parametrize(
    "name",
    [p.name for p in sorted(CASES.glob("*.toml")) if "\nbase = " not in p.read_text("utf-8")],
)
def test_every_case_comes_back_number_for_number(name: str, tmp_path: Path) -> None:
    written = simulate(read_case(CASES / name))
    write_cycle(written, tmp_path / "result.h5")
    assert_same(written, read_cycle(tmp_path / "result.h5"))


def test_a_changed_case_comes_back_as_changed(cycle: Cycle, tmp_path: Path) -> None:
    changed = cycle.case.replace({"stroke.frequency_hz": 3.0, "model.steps": 32})
    write_cycle(simulate(changed), tmp_path / "changed.h5")
    assert read_cycle(tmp_path / "changed.h5").case == changed


def test_a_twist_left_to_a_spring_comes_back_with_its_multipliers(
    cycle: Cycle, tmp_path: Path
) -> None:
    soft = {"mode": "passive", "rest_deg": 2.0, "stiffness_n_m_rad": 0.12}
    written = simulate(cycle.case.replace({"stroke.outer.twist": soft}))
    assert written.multipliers.size > 0
    write_cycle(written, tmp_path / "soft.h5")
    assert_same(written, read_cycle(tmp_path / "soft.h5"))


def test_no_field_of_a_cycle_is_forgotten(cycle: Cycle, stored: Path) -> None:
    assert_same(cycle, read_cycle(stored))
    assert {field.name for field in fields(Cycle)} == {
        *("case", "phase", "time", "series", "mean", "peak", "segments", "check", "strips"),
        *("twist", "multipliers", "notes"),
    }, "what assert_same compares"


def test_xarray_opens_it_with_named_dimensions_and_units(cycle: Cycle, stored: Path) -> None:
    with xarray.open_dataset(stored, engine="h5netcdf") as data:
        assert dict(data.sizes) == {"strip": 24, "phase": 128}
        assert set(data.coords) == {"phase", "strip"}
        assert data["series.lift_n"].dims == ("phase",)
        assert data["strips.incidence_deg"].dims == ("strip", "phase")
        assert data["strips.chord_m"].dims == ("strip",)
        assert data["mean.lift_n"].dims == ()
        assert data["mean.lift_n"].attrs["units"] == "N"
        assert float(data["segments.outer.thrust_n"]) == cycle.segments["outer"]["thrust_n"]
        np.testing.assert_array_equal(data["phase"], cycle.phase)
        for variable in data.variables.values():
            assert variable.attrs["long_name"]
            assert variable.attrs["units"]


def test_the_file_says_where_it_comes_from(cycle: Cycle, stored: Path) -> None:
    with h5py.File(stored) as file:
        assert file.attrs["schema_version"] == SCHEMA_VERSION
        assert file.attrs["case_text"] == (CASES / "glasshouse.toml").read_text()
        assert file.attrs["flapsim_version"]
        assert file.attrs["created"].endswith("+00:00")


def test_a_failed_write_leaves_the_older_file_and_nothing_else(
    cycle: Cycle, stored: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = stored.read_bytes()
    broken = replace(cycle, series={"lift_n": cycle.lift, "no_such_quantity": cycle.lift})
    with pytest.raises(KeyError, match="no_such_quantity"):
        write_cycle(broken, stored)
    assert stored.read_bytes() == before
    assert list(stored.parent.iterdir()) == [stored]


def test_writing_where_there_is_no_folder_is_told(cycle: Cycle, tmp_path: Path) -> None:
    with pytest.raises(ResultError, match=r"nowhere.cruise\.h5: cannot be written"):
        write_cycle(cycle, tmp_path / "nowhere" / "cruise.h5")


def test_a_file_that_is_no_result_is_refused_with_words(tmp_path: Path) -> None:
    other = tmp_path / "other.h5"
    with pytest.raises(ResultError, match="no such file"):
        read_cycle(other)
    other.write_bytes(b"neither")
    with pytest.raises(ResultError, match="not a complete result"):
        read_cycle(other)
    with h5py.File(other, "w") as file:
        file["lift"] = 2.3
    with pytest.raises(ResultError, match="not a result of 'flapsim run'"):
        read_cycle(other)


def test_a_cut_file_is_refused_with_words(stored: Path) -> None:
    whole = stored.read_bytes()
    for part in (0.1, 0.5, 0.99):
        stored.write_bytes(whole[: int(part * len(whole))])
        with pytest.raises(ResultError):
            read_cycle(stored)


def test_another_schema_is_refused_with_what_to_do(stored: Path) -> None:
    with h5py.File(stored, "r+") as file:
        file.attrs["schema_version"] = SCHEMA_VERSION + 1
    with pytest.raises(ResultError, match="run the case again"):
        read_cycle(stored)


@pytest.mark.parametrize("missing", ["series.lift_n", "mean.thrust_n", "phase", "strips.chord_m"])
def test_a_result_without_one_of_its_numbers_is_refused(stored: Path, missing: str) -> None:
    with h5py.File(stored, "r+") as file:
        del file[missing]
    with pytest.raises(ResultError, match="not a complete result"):
        read_cycle(stored)


def test_a_case_inside_that_cannot_be_read_is_told(stored: Path) -> None:
    with h5py.File(stored, "r+") as file:
        file.attrs["case_text"] = "title = 3"
    with pytest.raises(ResultError, match="the case it holds cannot be read"):
        read_cycle(stored)
