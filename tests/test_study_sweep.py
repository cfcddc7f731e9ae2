"""Sweeps: every point equals a single run, whichever workers compute it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray

from flapsim import read_case, simulate
from flapsim.faults import CaseError
from flapsim.study.engine import sweep
from flapsim.study.preview import preview
from flapsim.study.reading import Study, parse_study
from flapsim.study.table import SweepTable, read_sweep

CASES = Path(__file__).parents[1] / "cases"

GRID = """\
base = "glasshouse.toml"
title = "a grid"
set = { "model.steps" = 32, "wing.inner.strips" = 6, "wing.outer.strips" = 8 }
[[axis]]
key = "flight.pitch_deg"
from = 0.0
to = 8.0
count = 7
[[axis]]
key = "model.induced"
values = ["slope", "lifting-line"]
[[axis]]
key = "stroke.outer.twist.tip_amplitude_deg"
values = [10.0, 20.0, 34.0]
"""


def study(text: str) -> Study:
    return parse_study(text, CASES)


@pytest.fixture(scope="module")
def grid(tmp_path_factory: pytest.TempPathFactory) -> SweepTable:
    return sweep(study(GRID), tmp_path_factory.mktemp("grid") / "grid.h5")


def test_every_point_equals_a_single_run(grid: SweepTable) -> None:
    for place in (0, 20, 41):
        point = {key: grid.column(key)[place] for key in grid.keys}
        settings = {"model.steps": 32, "wing.inner.strips": 6, "wing.outer.strips": 8}
        single = simulate(read_case(CASES / "glasshouse.toml").replace(settings | point))
        for name in ("lift_n", "thrust_n", "aero_power_w", "shaft_power_w"):
            # The same sums in another order: rounding errors only.
            np.testing.assert_allclose(
                grid.column(f"mean.{name}")[place], single.mean[name], rtol=1e-12, atol=1e-12
            )


@pytest.mark.parametrize("setting", ["one thread", "small chunks", "processes", "given executor"])
def test_results_do_not_depend_on_workers_or_chunks(
    setting: str, grid: SweepTable, tmp_path: Path
) -> None:
    path = tmp_path / "r.h5"
    if setting == "one thread":
        other = sweep(study(GRID), path, workers=1)
    elif setting == "small chunks":
        text = GRID.replace("count = 7", "count = 49")
        other = sweep(study(text), path, chunk=1, workers=2)
        whole = sweep(study(text), tmp_path / "w.h5", chunk=4096)
        for name in other.names:
            np.testing.assert_array_equal(other.column(name), whole.column(name), err_msg=name)
        return
    elif setting == "processes":
        other = sweep(study(GRID), path, backend="processes", workers=2)
    else:
        with ThreadPoolExecutor(3) as executor:
            other = sweep(study(GRID), path, executor=executor)
    for name in grid.names:
        np.testing.assert_array_equal(grid.column(name), other.column(name), err_msg=name)


def test_the_truncation_of_a_point_does_not_depend_on_its_chunk(tmp_path: Path) -> None:
    text = (
        'base = "glasshouse.toml"\n'
        'set = { "model.steps" = 32, "stroke.inner.plunge.shape" = "quick-return" }\n'
        '[[axis]]\nkey = "stroke.inner.plunge.downstroke_fraction"\n'
        "from = 0.3\nto = 0.7\ncount = 130\n"
    )
    table = sweep(study(text), tmp_path / "r.h5", chunk=64)
    whole = sweep(study(text), tmp_path / "s.h5", chunk=1024)
    name = "check.schedule_truncation"
    np.testing.assert_array_equal(table.column(name), whole.column(name))
    assert len(set(table.column(name))) > 60


def test_xarray_opens_a_grid_with_named_axes_and_units(grid: SweepTable) -> None:
    with xarray.open_dataset(grid.path, engine="h5netcdf") as data:
        lift = data["mean.lift_n"]
        assert lift.dims == (
            "model.induced",
            "flight.pitch_deg",
            "stroke.outer.twist.tip_amplitude_deg",
        )
        assert lift.attrs["units"] == "N"
        assert lift.attrs["long_name"] == "lift of the wing"
        assert data["flight.pitch_deg"].attrs["units"] == "degree"
        assert data["model.induced"].values.tolist() == ["slope", "lifting-line"]
        one = lift.sel({"model.induced": "slope", "flight.pitch_deg": 8.0})
        assert one.shape == (3,)
        assert data["status"].attrs["flag_meanings"] == "pending done no-answer failed"
        assert data.attrs["title"] == "a grid"
        assert data.attrs["plan_text"] == GRID


@pytest.mark.parametrize(
    ("case", "key", "values", "unit"),
    [
        ("lagging_servo", "stroke.outer.twist.rate_limit_deg_s", "[300.0, 400.0]", "degree s-1"),
        ("glasshouse", "drive.motor.torque_constant_n_m_a", "[0.006, 0.007]", "N m A-1"),
    ],
)
def test_a_key_that_is_varied_has_its_unit_in_the_file(
    case: str, key: str, values: str, unit: str, tmp_path: Path
) -> None:
    text = (
        f'base = "{case}.toml"\nkeep = ["mean.lift_n"]\nset = {{ "model.steps" = 32 }}\n'
        f'[[axis]]\nkey = "{key}"\nvalues = {values}\n'
    )
    table = sweep(study(text), tmp_path / "r.h5")
    with h5py.File(table.path) as file:
        assert file[key].attrs["units"] == unit


def test_impossible_points_give_a_reason_and_leave_the_others_untouched(tmp_path: Path) -> None:
    text = (
        'base = "linkage_driven.toml"\nset = { "model.steps" = 32 }\n'
        '[[axis]]\nkey = "stroke.inner.plunge.crank_m"\nfrom = 0.002\nto = 0.3\ncount = 40\n'
    )
    table = sweep(study(text), tmp_path / "r.h5")
    counts = table.counts()
    assert counts["done"] > 0
    assert counts["failed"] > 0
    assert counts["done"] + counts["failed"] == 40
    assert any("the crank cannot turn" in reason for reason in table.reasons())
    assert np.isfinite(table.column("mean.lift_n")[table.done]).all()
    assert np.isnan(table.column("mean.lift_n")[~table.done]).all()


def test_incompatible_values_fail_point_by_point(tmp_path: Path) -> None:
    text = (
        'base = "glasshouse.toml"\nset = { "model.steps" = 32 }\n'
        '[[axis]]\nkey = "wing.section.stall_deg"\nvalues = [3.0, 12.0]\n'
        '[[axis]]\nkey = "wing.section.stall_width_deg"\nvalues = [4.0, 10.0]\n'
    )
    table = sweep(study(text), tmp_path / "r.h5")
    assert table.status.reshape(2, 2).tolist() == [[1, 3], [1, 1]]


def test_points_between_unsound_corners_are_checked_one_by_one(tmp_path: Path) -> None:
    text = (
        'base = "glasshouse.toml"\nsampling = "sobol"\nsamples = 64\n'
        'set = { "model.steps" = 32 }\n'
        '[[axis]]\nkey = "wing.section.stall_deg"\nfrom = 2.0\nto = 12.0\n'
        '[[axis]]\nkey = "wing.section.stall_width_deg"\nfrom = 4.0\nto = 12.0\n'
    )
    table = sweep(study(text), tmp_path / "r.h5")
    onset = table.column("wing.section.stall_deg") - 0.5 * table.column(
        "wing.section.stall_width_deg"
    )
    np.testing.assert_array_equal(table.done, onset >= 0.0)
    assert 0 < table.done.sum() < 64


def test_incompatible_values_are_found_among_too_many_corners_to_try(tmp_path: Path) -> None:
    ranges = (
        ("flight.pitch_deg", 0, 4), ("flight.airspeed_m_s", 4, 6), ("stroke.frequency_hz", 2, 3),
        ("craft.mass_kg", 0.2, 0.3), ("craft.body_drag_area_m2", 0.004, 0.006),
        ("air.density_kg_m3", 1.1, 1.3), ("wing.twist_axis", 0.1, 0.3),
        ("wing.section.stall_deg", 2, 12), ("wing.section.stall_width_deg", 4, 12),
    )  # fmt: skip
    text = 'base = "glasshouse.toml"\nsampling = "latin-hypercube"\nsamples = 128\n'
    text += 'set = { "model.steps" = 32 }\n'
    for key, start, stop in ranges:
        text += f'[[axis]]\nkey = "{key}"\nfrom = {start}\nto = {stop}\n'
    table = sweep(study(text), tmp_path / "r.h5")
    onset = table.column("wing.section.stall_deg") - 0.5 * table.column(
        "wing.section.stall_width_deg"
    )
    np.testing.assert_array_equal(table.done, onset >= 0.0)
    assert 0 < table.done.sum() < 128


def test_a_plan_without_a_valid_point_is_refused(tmp_path: Path) -> None:
    text = (
        'base = "glasshouse.toml"\n[[axis]]\nkey = "wing.section.stall_width_deg"\n'
        "values = [40.0, 50.0]\n"
    )
    with pytest.raises(CaseError, match="no combination of these values is a valid case"):
        sweep(study(text), tmp_path / "r.h5")


TRIM = """\
base = "glasshouse.toml"
set = { "model.steps" = 32, "model.induced" = "slope" }
[trim]
free = ["flight.pitch_deg", "stroke.inner.plunge.amplitude_deg+stroke.outer.plunge.amplitude_deg"]
[[axis]]
key = "craft.mass_kg"
from = 0.15
to = 1.5
count = 70
"""


def test_trimmed_points_balance_and_the_others_have_no_answer(tmp_path: Path) -> None:
    table = sweep(study(TRIM), tmp_path / "r.h5", chunk=64)
    done = table.done
    assert 10 < done.sum() < 70
    lift = table.column("mean.lift_n") + table.column("mean.tail_lift_n")
    np.testing.assert_allclose(lift[done], table.column("mean.weight_n")[done], rtol=1e-8)
    balance = table.column("mean.thrust_n") - table.column("mean.drag_n")
    assert np.abs(balance[done]).max() < 1e-8 * table.column("mean.weight_n")[done].max()
    assert np.isfinite(table.column("trim.flight.pitch_deg")[done]).all()
    assert table.counts()["no-answer"] == (~done).sum()
    assert table.reasons()
    other = sweep(study(TRIM), tmp_path / "s.h5", chunk=128, workers=1)
    for name in table.names:
        np.testing.assert_array_equal(table.column(name), other.column(name), err_msg=name)


def test_cycles_are_kept_on_request(tmp_path: Path) -> None:
    text = GRID.replace("[[axis]]", 'keep = ["mean.lift_n", "series.lift_n"]\n[[axis]]', 1)
    table = sweep(study(text), tmp_path / "r.h5")
    with h5py.File(table.path) as file:
        cycles = file["series.lift_n"][()]
    assert cycles.shape == (2, 7, 3, 32)
    np.testing.assert_allclose(cycles.mean(axis=-1), table["mean.lift_n"], rtol=1e-12)


def test_only_matching_results_are_kept(tmp_path: Path) -> None:
    text = GRID.replace("[[axis]]", 'keep = ["peak.*", "mean.lift_n"]\n[[axis]]', 1)
    table = sweep(study(text), tmp_path / "r.h5")
    assert set(table.results) == {
        "peak.lift_n", "peak.thrust_n", "peak.aero_power_w", "mean.lift_n",
    }  # fmt: skip
    wrong = GRID.replace("[[axis]]", 'keep = ["mean.lft_n"]\n[[axis]]', 1)
    with pytest.raises(CaseError, match=r"keep\.0: .* did you mean mean\.lift_n\?"):
        sweep(study(wrong), tmp_path / "s.h5")


def test_a_sample_is_stored_by_point_with_its_keys(tmp_path: Path) -> None:
    text = (
        'base = "glasshouse.toml"\nsampling = "latin-hypercube"\nsamples = 30\nseed = 4\n'
        'set = { "model.steps" = 32 }\n'
        '[[axis]]\nkey = "stroke.frequency_hz"\nfrom = 2.0\nto = 4.0\n'
        '[[axis]]\nkey = "model.wake"\nvalues = ["indicial", "quasi-steady"]\n'
    )
    table = sweep(study(text), tmp_path / "r.h5")
    with xarray.open_dataset(table.path, engine="h5netcdf") as data:
        assert data["mean.lift_n"].dims == ("point",)
        assert data["stroke.frequency_hz"].dims == ("point",)
        assert set(data["model.wake"].values.tolist()) == {"indicial", "quasi-steady"}


def test_a_preview_reports_points_chunks_time_and_size(tmp_path: Path) -> None:
    found = preview(study(GRID), tmp_path / "r.h5", workers=2)
    assert (found.points, found.chunks) == (42, 3)  # of one tile each: both workers take part
    assert found.rate > 0.0
    assert found.size > 42 * 8 * found.results
    assert list(tmp_path.iterdir()) == []


def test_a_sweep_is_read_back_by_its_path(grid: SweepTable) -> None:
    assert read_sweep(grid.path) == grid
    assert grid.complete
    assert grid["flight.pitch_deg"].shape == (2, 7, 3)
