"""Samples of the unit cube, drawn a few rows at a time."""

from __future__ import annotations

import tracemalloc
from collections.abc import Callable

import numpy as np
import pytest
from SALib.sample import sobol as salib
from scipy.stats import qmc, spearmanr

from flapsim.study.sequences import CrossedSobol, LatinHypercube, Sample, Sobol

KINDS: tuple[Callable[[int, int, int], Sample], ...] = (CrossedSobol, LatinHypercube, Sobol)


@pytest.mark.parametrize("kind", KINDS)
def test_a_row_does_not_depend_on_which_others_are_drawn(
    kind: Callable[[int, int, int], Sample],
) -> None:
    whole = kind(3, 64, 5).rows(0, 64)
    other = kind(3, 64, 5)
    for start, stop in ((40, 64), (0, 1), (1, 7), (7, 40), (33, 34)):
        np.testing.assert_array_equal(other.rows(start, stop), whole[start:stop])
    assert not np.array_equal(kind(3, 64, 6).rows(0, 64), whole)


@pytest.mark.parametrize("kind", KINDS)
def test_a_few_rows_of_a_billion_take_little_memory(
    kind: Callable[[int, int, int], Sample],
) -> None:
    sample = kind(4, 2**30, 1)
    sample.rows(0, 1)
    tracemalloc.start()
    rows = sample.rows(2**22, 2**22 + 512)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert rows.shape == (512, 4)
    # The rows themselves are 16 kB; a list of all slices would be 8 GB.
    assert peak < 2e6


@pytest.mark.parametrize("samples", [1, 2, 3, 50, 1000])
def test_a_latin_hypercube_has_one_row_in_each_slice(samples: int) -> None:
    rows = LatinHypercube(3, samples, 2).rows(0, samples)
    assert ((rows >= 0.0) & (rows < 1.0)).all()
    np.testing.assert_array_equal(
        np.sort((rows * samples).astype(int), axis=0), np.tile(np.arange(samples)[:, None], 3)
    )


def test_the_dimensions_of_a_latin_hypercube_are_uncorrelated() -> None:
    samples = 4096
    rows = LatinHypercube(6, samples, 3).rows(0, samples)
    ranks = spearmanr(np.column_stack([rows, np.arange(samples)])).statistic
    # Chance gives a standard deviation of 1/sqrt(n); the largest of 21 stays below four.
    assert np.abs(ranks - np.eye(7)).max() < 4.0 / np.sqrt(samples)


def test_a_latin_hypercube_is_as_even_as_one_by_scipy() -> None:
    def unevenness(draw: Callable[[int], np.ndarray]) -> float:
        return float(np.mean([qmc.discrepancy(draw(seed)) for seed in range(20)]))

    ours = unevenness(lambda seed: LatinHypercube(4, 128, seed).rows(0, 128))
    theirs = unevenness(lambda seed: qmc.LatinHypercube(4, rng=seed).random(128))
    # The mean of twenty varies by about 3 % between sets of seeds.
    assert abs(ours / theirs - 1.0) < 0.15


def test_a_crossed_sample_equals_one_by_salib() -> None:
    problem = {"num_vars": 3, "names": ["a", "b", "c"], "bounds": [[0.0, 1.0]] * 3}
    chance = np.random.default_rng(9)
    theirs = salib.sample(problem, 32, calc_second_order=False, scramble=True, seed=chance)
    np.testing.assert_array_equal(CrossedSobol(3, 32, 9).rows(0, 160), theirs)
