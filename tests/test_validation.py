"""Every comparison with a published source, one test each; the sources are under validation/."""

from __future__ import annotations

import pytest

from validation.catalogue import all_checks
from validation.check import Check, Status, relative, worst_absolute, worst_relative


@pytest.mark.parametrize("check", all_checks(), ids=lambda check: check.name)
def test_solver_agrees_with(check: Check) -> None:
    verdict = check.run()
    assert verdict.passed, str(verdict)


def test_a_deviation_that_is_not_a_number_never_passes() -> None:
    comparison = worst_relative([1.0, 1.0, 1.0], [1.0, float("nan"), 2.0], ["a", "b", "c"])
    check = relative(
        source="Nobody",
        quantity="nothing",
        status=Status.EXACT,
        tolerance=10.0,
        why="none",
        model="none",
        compare=lambda: comparison,
    )
    assert comparison.where == "b"
    assert not check.run().passed


def test_the_worst_point_is_the_one_reported() -> None:
    comparison = worst_absolute([1.0, 2.0, 3.0], [1.1, 1.5, 3.2], ["a", "b", "c"])
    assert (comparison.where, comparison.deviation) == ("b", 0.5)


def test_a_comparison_without_points_is_refused() -> None:
    with pytest.raises(ValueError, match="0"):
        worst_absolute([], [])
