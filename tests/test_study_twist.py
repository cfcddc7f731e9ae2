"""Compliant twist in a sweep: the same answers and refusals as in single runs."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest

from flapsim import NoAnswer, read_case, simulate
from flapsim.study.chunk import NO_TWIST, UNSTABLE
from flapsim.study.engine import sweep
from flapsim.study.reading import Study, parse_study, read_study
from flapsim.study.table import SweepTable

CASES = Path(__file__).parents[1] / "cases"

PLAN = """\
base = "glasshouse.toml"
stability = {stability}
[set]
"stroke.outer.twist" = {{ mode = "passive", rest_deg = 2.0, stiffness_n_m_rad = 0.12 }}
model = {{ steps = 32, induced = "slope" }}
"wing.inner.strips" = 4
"wing.outer.strips" = 6
[[axis]]
key = "wing.twist_axis"
values = [0.3, 0.45, 0.6]
[[axis]]
key = "stroke.outer.twist.stiffness_n_m_rad"
from = 0.01
to = 3.0
count = 8
spacing = "logarithmic"
"""


def study(stability: bool, more: str = "") -> Study:
    return parse_study(more + PLAN.format(stability=str(stability).lower()), CASES)


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> SweepTable:
    return sweep(study(True), tmp_path_factory.mktemp("twist") / "r.h5")


def test_a_compliant_wing_gives_the_same_in_a_sweep_as_in_a_single_run(table: SweepTable) -> None:
    case = study(True).case
    answers = 0
    for place in (0, 5, 9, 12):
        point = {key: float(table.column(key)[place]) for key in table.keys}
        try:
            single = simulate(case.replace(point))
        except NoAnswer:
            assert not table.done[place]
            continue
        answers += 1
        assert table.done[place]
        for name in ("lift_n", "thrust_n", "aero_power_w", "twist_power_w"):
            # The twist is found to 1e-10 of its largest moment.
            np.testing.assert_allclose(
                table.column(f"mean.{name}")[place], single.mean[name], rtol=1e-7, atol=1e-9
            )
        for name in ("amplitude_deg", "lag_deg", "floquet_max"):
            np.testing.assert_allclose(
                table.column(f"twist.outer.{name}")[place], single.twist["outer"][name], rtol=1e-6
            )
    assert answers == 3


def test_missing_and_unstable_twists_are_reported_separately(table: SweepTable) -> None:
    assert set(table.reasons()) == {NO_TWIST, UNSTABLE}
    assert table.counts()["no-answer"] == sum(table.reasons().values()) > 2
    assert table.counts()["failed"] == 0
    growth = table.column("twist.outer.floquet_max")
    assert (growth[table.done] <= 1.0).all()
    assert (growth > 1.0).sum() == table.reasons()[UNSTABLE]
    assert np.isnan(table.column("mean.lift_n")[~table.done]).all()


def test_stability_is_checked_only_on_request(table: SweepTable, tmp_path: Path) -> None:
    quick = sweep(study(False), tmp_path / "r.h5")
    assert set(quick.reasons()) == {NO_TWIST}
    assert np.isnan(quick.column("twist.outer.floquet_max")).all()
    for name in ("mean.thrust_n", "twist.outer.amplitude_deg"):
        both = table.done & quick.done
        np.testing.assert_array_equal(table.column(name)[both], quick.column(name)[both])


def test_a_twist_does_not_depend_on_chunks_or_workers(table: SweepTable, tmp_path: Path) -> None:
    other = sweep(study(True), tmp_path / "r.h5", chunk=16, workers=1)
    for name in table.names:
        np.testing.assert_array_equal(table.column(name), other.column(name), err_msg=name)


def test_kept_series_of_a_compliant_wing_have_the_reported_mean(tmp_path: Path) -> None:
    keep = 'keep = ["mean.thrust_n", "series.thrust_n"]\n'
    some = sweep(study(False, keep), tmp_path / "r.h5", chunk=16)
    with h5py.File(some.path) as file:
        cycles = file["series.thrust_n"][()]
    np.testing.assert_allclose(cycles.mean(axis=-1), some["mean.thrust_n"], rtol=1e-9, atol=1e-12)


def test_a_table_under_a_quoted_path_replaces_the_whole_table() -> None:
    twist = study(True).case.stroke.outer
    assert twist is not None
    assert twist.twist is not None
    assert twist.twist.mode == "passive"
    glasshouse = read_case(CASES / "glasshouse.toml")
    assert study(True).case.model.wake == glasshouse.model.wake


def test_the_shipped_study_of_stiffness_trims_everywhere(tmp_path: Path) -> None:
    shipped = read_study(CASES / "passive_stiffness.toml")
    text = shipped.text.replace("stability = true\n", "").replace("count = 13", "count = 3")
    text = text.replace("count = 9", "count = 2").replace(
        "[set]\n", '[set]\n"model.steps" = 32\n"model.induced" = "slope"\n'
    )
    table = sweep(parse_study(text, CASES), tmp_path / "r.h5")
    assert table.done.all()
    assert np.ptp(table.column("twist.outer.amplitude_deg")) > 10.0
