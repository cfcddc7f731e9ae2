"""The contestants of the speed benchmark answer the same question; how fast is not for a test."""

from __future__ import annotations

import numpy as np
import pytest

from flapsim.case.columns import Designs
from flapsim.half_wing.pack import pack
from flapsim.kernel import Batch
from validation.speed import __main__ as benchmark
from validation.speed.by_c import build, compiler
from validation.speed.by_numpy import by_numpy
from validation.speed.by_script import by_script
from validation.speed.question import benchmark_case, by_kernel, columns, disagreement

# Rounding, and the stall iteration of either side stopped at 1e-12 of the velocities.
AGREEMENT = 1e-9
# The script steps its wake to second order: (2 pi/128)^2/12 of the part that oscillates, 2e-4.
STEPPED = 1e-3


@pytest.fixture(scope="module")
def batch() -> Batch:
    return pack(Designs(benchmark_case(), columns(20))).batch


def test_numpy_computes_what_the_kernel_computes(batch: Batch) -> None:
    assert disagreement(by_kernel(batch), by_numpy(batch)) <= AGREEMENT


@pytest.mark.skipif(compiler() is None, reason="there is no C compiler on this machine")
@pytest.mark.parametrize("threads", [1, 2])
def test_plain_c_computes_what_the_kernel_computes(batch: Batch, threads: int) -> None:
    assert disagreement(by_kernel(batch), build()(batch, threads)) <= AGREEMENT


@pytest.mark.skipif(compiler() is None, reason="there is no C compiler on this machine")
def test_plain_c_leaves_the_arithmetic_of_the_process_alone() -> None:
    build()
    assert np.float64(2.0**-1060) * np.float64(0.5) == 2.0**-1061


def test_the_script_computes_what_the_kernel_computes() -> None:
    case = benchmark_case()
    means = by_kernel(pack(case).batch)
    lift, thrust, power = by_script(case)
    assert lift == pytest.approx(means.lift[0], rel=STEPPED)
    assert thrust == pytest.approx(means.thrust[0], rel=STEPPED)
    assert power == pytest.approx(means.power[0], rel=STEPPED)


def test_the_benchmark_runs_and_names_every_goal(capsys: pytest.CaptureFixture[str]) -> None:
    benchmark.main(["--designs", "9", "--rounds", "1"])
    said = capsys.readouterr().out
    for goal in (
        "1.9 or more",
        "20 or more",
        "10,000 or more",
        "3 or less",
        "12 or less",
        "about 1",
    ):
        assert goal in said


def test_the_benchmark_says_so_where_there_is_no_compiler(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("CC", "no-such-compiler")
    benchmark.main(["--designs", "2", "--rounds", "1"])
    assert "C is left out: there is no C compiler" in capsys.readouterr().out
