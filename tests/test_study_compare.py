"""Compare: points of a sweep are filtered, ranked, subtracted and drawn."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from flapsim.cli.main import main
from flapsim.faults import StudyError
from flapsim.show.study_panels import _plane
from flapsim.study.compare import (
    condition_from,
    difference,
    pareto_front,
    ranked,
    selected,
    sensitivities,
)
from flapsim.study.engine import sweep
from flapsim.study.reading import parse_study
from flapsim.study.sampling import points_of
from flapsim.study.sensitivity import sobol_indices
from flapsim.study.sequences import CrossedSobol
from flapsim.study.table import SweepTable

CASES = Path(__file__).parents[1] / "cases"

GRID = """\
base = "glasshouse.toml"
set = { "model.steps" = 32, "model.induced" = "slope" }
[[axis]]
key = "stroke.outer.twist.tip_amplitude_deg"
from = 10.0
to = 46.0
count = 13
[[axis]]
key = "flight.pitch_deg"
from = 0.0
to = 8.0
count = 9
[[axis]]
key = "model.wake"
values = ["indicial", "quasi-steady"]
"""

SAMPLE = """\
base = "glasshouse.toml"
sampling = "saltelli"
samples = 256
set = { "model.steps" = 32, "model.induced" = "slope" }
[[axis]]
key = "stroke.frequency_hz"
from = 2.0
to = 3.6
[[axis]]
key = "craft.body_drag_area_m2"
from = 0.004
to = 0.008
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("compare")


@pytest.fixture(scope="module")
def grid(folder: Path) -> SweepTable:
    return sweep(parse_study(GRID, CASES), folder / "grid.h5")


@pytest.fixture(scope="module")
def sample(folder: Path) -> SweepTable:
    return sweep(parse_study(SAMPLE, CASES), folder / "sample.h5")


def test_conditions_select_the_points_that_satisfy_them(grid: SweepTable) -> None:
    lift, weight = grid.column("mean.lift_n"), grid.column("mean.weight_n")
    wake = grid.column("model.wake")
    for text, expected in {
        "mean.lift_n >= 2.3": lift >= 2.3,
        "mean.lift_n>mean.weight_n": lift > weight,
        "mean.lift_n >= 1.1*mean.weight_n": lift >= 1.1 * weight,
        'model.wake == "indicial"': wake == "indicial",
        "model.wake != indicial": wake != "indicial",
        "mean.lift_n < 3 and flight.pitch_deg == 4": (lift < 3)
        & (grid.column("flight.pitch_deg") == 4.0),
    }.items():
        places = selected(grid, condition_from(text))
        np.testing.assert_array_equal(places, np.flatnonzero(expected), err_msg=text)
        assert 0 < places.size < grid.count


@pytest.mark.parametrize(
    "text",
    [
        "",
        "mean.lift_n",
        "mean.lift_n >= ",
        "__import__('os').system('true') > 0",
        "mean.lift_n >= 1 or mean.lift_n < 0",
        "mean.lift_n >= (1)",
        "mean.lift_n >= 1; 2",
        "2 > 1",
    ],
)
def test_anything_but_a_comparison_is_refused(text: str) -> None:
    with pytest.raises(StudyError, match="expected"):
        condition_from(text)


def test_an_unknown_name_is_reported_with_the_nearest(grid: SweepTable) -> None:
    with pytest.raises(StudyError, match=r"did you mean mean\.lift_n\?"):
        selected(grid, condition_from("mean.lft_n > 1"))


def test_powers_rank_smallest_first_and_efficiencies_largest_first(grid: SweepTable) -> None:
    every = selected(grid)
    power = grid.column("mean.aero_power_w")[ranked(grid, every, "mean.aero_power_w")]
    assert np.all(np.diff(power) >= 0.0)
    name = "mean.propulsive_efficiency"
    best = grid.column(name)[ranked(grid, every, name)]
    assert np.all(np.diff(best) <= 0.0)


@given(
    st.lists(st.tuples(*[st.integers(0, 6) | st.just(float("nan"))] * 2), min_size=1, max_size=30)
)
def test_no_point_dominates_the_pareto_front(rows: list[tuple[float, float]]) -> None:
    values = np.array(rows, dtype=float)
    front = set(pareto_front(values).tolist())
    finite = [i for i in range(len(values)) if np.isfinite(values[i]).all()]
    for i in finite:
        dominated = any(
            (values[j] <= values[i]).all() and (values[j] < values[i]).any() for j in finite
        )
        twin = any((values[j] == values[i]).all() and j < i for j in finite)
        assert (i in front) == (not dominated and not twin)
    assert front <= set(finite)


def test_sobol_indices_of_the_ishigami_function_are_exact() -> None:
    # Ishigami & Homma (1990), a = 7, b = 0.1: S1 = 0.3139, 0.4424, 0; ST = 0.5576, 0.4424, 0.2437.
    unit = CrossedSobol(3, 4096, 1).rows(0, 5 * 4096)
    x = np.pi * (2.0 * unit - 1.0)
    y = np.sin(x[:, 0]) + 7.0 * np.sin(x[:, 1]) ** 2 + 0.1 * x[:, 2] ** 4 * np.sin(x[:, 0])
    first, total, _, _ = sobol_indices(y, 3)
    # With 4096 scrambled samples, 0.02 is several times the bootstrap interval.
    np.testing.assert_allclose(first, [0.3139, 0.4424, 0.0], atol=0.02)
    np.testing.assert_allclose(total, [0.5576, 0.4424, 0.2437], atol=0.02)


def test_a_key_without_effect_has_no_sensitivity(sample: SweepTable) -> None:
    assert points_of(parse_study(SAMPLE, CASES)).count == sample.count == 1024
    found = {item.name: item for item in sensitivities(sample, "mean.lift_n")}
    # The drag area of the body does not enter the lift of the wing: exact.
    assert abs(found["craft.body_drag_area_m2"].total) < 1e-12
    # The frequency explains everything; 256 scrambled samples leave a few hundredths.
    assert abs(found["stroke.frequency_hz"].total - 1.0) < 0.1
    assert list(found) == ["stroke.frequency_hz", "craft.body_drag_area_m2"]


def test_two_sweeps_are_subtracted_at_their_common_points(grid: SweepTable, folder: Path) -> None:
    text = (
        GRID.replace("to = 8.0\ncount = 9", "to = 4.0\ncount = 9")
        .replace("[[axis]]", 'title = "heavier"\n[[axis]]', 1)
        .replace('"slope" }', '"none" }')
    )
    other = sweep(parse_study(text, CASES), folder / "other.h5")
    found = difference(grid, other)
    # Pitch 0, 1, 2, 3, 4 deg are in both; the other half degrees are not.
    assert found.count == 13 * 5 * 2
    pitch = found.columns["flight.pitch_deg"]
    assert sorted(set(pitch.tolist())) == [0.0, 1.0, 2.0, 3.0, 4.0]
    axes = list(grid.axes)
    mine = np.take(grid["mean.lift_n"], range(5), axes.index("flight.pitch_deg"))
    theirs = np.take(other["mean.lift_n"], range(0, 9, 2), axes.index("flight.pitch_deg"))
    np.testing.assert_array_equal(found.columns["mean.lift_n"], (theirs - mine).ravel())


def test_sweeps_of_different_keys_are_not_subtracted(grid: SweepTable, sample: SweepTable) -> None:
    with pytest.raises(StudyError, match="do not vary the same keys"):
        difference(grid, sample)


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(list(words))
    said = capsys.readouterr()
    return code, said.out, said.err


def test_the_command_ranks_and_filters(
    grid: SweepTable, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(
        capsys, "compare", str(grid.path), "--where", "mean.lift_n >= mean.weight_n",
        "--rank", "mean.aero_power_w", "--top", "3",
    )  # fmt: skip
    assert code == 0
    assert "satisfy the conditions" in out
    assert "mean.aero_power_w, W" in out
    code, out, _ = run(
        capsys, "compare", str(grid.path), "--rank", "mean.aero_power_w", "--top", "3", "--json"
    )
    powers = [row["mean.aero_power_w"] for row in json.loads(out)["table"]]
    assert powers == sorted(grid.column("mean.aero_power_w"))[:3]


def test_the_command_writes_every_digit_as_csv(
    grid: SweepTable, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "points.csv"
    assert run(capsys, "compare", str(grid.path), "--csv", str(target))[0] == 0
    with open(target, newline="") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["mean.lift_n"]) for row in rows] == grid.column("mean.lift_n").tolist()
    assert run(capsys, "compare", str(grid.path), "--csv", str(target))[0] == 2


@pytest.mark.parametrize(
    "words",
    [
        ["map", "--quantity", "mean.aero_power_w", "--where", "mean.lift_n = mean.weight_n"],
        ["map", "--quantity", "mean.thrust_n", "--where", "mean.lift_n >= 99"],
        ["carpet", "--quantity", "mean.aero_power_w,mean.lift_n", "--where",
         "mean.lift_n = mean.weight_n"],
    ],
)  # fmt: skip
@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_maps_and_carpets_are_drawn(
    words: list[str], suffix: str, folder: Path, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    text = GRID.rpartition("[[axis]]")[0]
    plane = folder / "plane.h5"
    if not plane.exists():
        sweep(parse_study(text, CASES), plane)
    target = tmp_path / f"picture{suffix}"
    code, _, said = run(
        capsys, "compare", str(plane), "--figure", words[0], *words[1:], "-o", str(target)
    )
    assert code == 0, said
    assert target.stat().st_size > 5000


def test_a_map_can_be_cut_at_a_word(grid: SweepTable) -> None:
    axes, _, (lift,), cut = _plane(grid, ["mean.lift_n"], {"model.wake": "quasi-steady"})
    assert (axes, cut) == (tuple(grid.axes)[1:], "model wake quasi-steady")
    np.testing.assert_array_equal(lift, grid["mean.lift_n"][1])


def test_pareto_and_tornado_are_drawn(
    sample: SweepTable, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for kind, words in (
        ("pareto", ["--pareto", "mean.aero_power_w,mean.lift_n:max"]),
        ("tornado", ["--sensitivity", "mean.aero_power_w"]),
    ):
        target = tmp_path / f"{kind}.png"
        code, _, said = run(
            capsys, "compare", str(sample.path), "--figure", kind, *words, "-o", str(target)
        )
        assert code == 0, said
        assert target.stat().st_size > 5000


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--figure", "mp"], "one of map, carpet, pareto, tornado"),
        (["--figure", "map"], "--figure map: needs --quantity NAME"),
        (["--figure", "map", "--quantity", "mean.lift_n"], "needs two axes, found 3"),
        (["--pareto", "mean.lift_n"], "state which is better, mean.lift_n:min or mean.lift_n:max"),
        (["--pareto", "mean.aero_power_w"], "expected two or more quantities"),
        (["--rank", "mean.lft_n"], "did you mean mean.lift_n?"),
        (["--at", "flight.pitch_deg=high", "--figure", "map", "--quantity", "mean.lift_n"],
         "--at flight.pitch_deg: expected a number, found high"),
        (["--at", "model.wake=slow", "--figure", "map", "--quantity", "mean.lift_n"],
         "--at model.wake: expected one of indicial, quasi-steady, found slow"),
        (["--at", "flight.pitch_deg", "--figure", "map", "--quantity", "mean.lift_n"],
         "--at: expected AXIS=VALUE, found flight.pitch_deg"),
        (["-o", "x.png"], "-o: needs --figure KIND"),
        (["--at", "flight.pitch_deg=4"], "--at: applies to --figure map and carpet only"),
        (["--quantity", "mean.lift_n"], "--quantity: applies to --figure map"),
        (["--largest"], "--largest and --smallest: need --rank NAME"),
        (["--top", "0"], "--top: expected 1 or more, found 0"),
        (["--where", "mean.lift_n = mean.weight_n"], "draws a line in a map"),
    ],
)  # fmt: skip
def test_a_wrong_option_ends_with_code_two_and_a_message(
    words: list[str], message: str, grid: SweepTable, tmp_path: Path,
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    code, _, err = run(capsys, "compare", str(grid.path), *words)
    assert code == 2
    assert message in err


def test_a_file_that_is_no_sweep_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "r.h5").write_bytes(b"nothing")
    assert run(capsys, "compare", str(tmp_path / "r.h5"))[0] == 2
    code, _, err = run(capsys, "compare", str(tmp_path / "s.h5"))
    assert code == 2
    assert "no such file" in err


def test_the_sweep_command_previews_computes_and_recognises_a_complete_result(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "glasshouse.toml").write_text((CASES / "glasshouse.toml").read_text("utf-8"))
    plan, target = tmp_path / "plan.toml", tmp_path / "r.h5"
    plan.write_text(GRID)
    code, out, _ = run(capsys, "sweep", str(plan), "-o", str(target), "--dry-run", "--json")
    assert code == 0
    assert json.loads(out)["points"] == 234
    assert not target.exists()
    code, out, err = run(capsys, "sweep", str(plan), "-o", str(target), "--json")
    assert code == 0
    assert json.loads(out)["status"]["done"] == 234
    assert "100% 234/234" in err
    code, out, _ = run(capsys, "sweep", str(plan), "-o", str(target))
    assert code == 0
    assert "already complete (234 points)" in out
    code, _, err = run(capsys, "sweep", str(tmp_path / "none.toml"), "-o", str(target))
    assert code == 2
    assert "Traceback" not in err
