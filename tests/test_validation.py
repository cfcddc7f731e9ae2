"""Every comparison with theory and data, one test each; the sources are under validation/."""

from __future__ import annotations

import pytest

from validation.catalogue import all_checks
from validation.check import CHOSEN, Check, Measure, Points, Source, Status, worst
from validation.report import GUARDS, apart


@pytest.mark.parametrize("check", all_checks(), ids=lambda check: check.name)
def test_solver_agrees_with(check: Check) -> None:
    verdict = check.run()
    assert verdict.passed, str(verdict)


@pytest.mark.parametrize("measure", Measure)
def test_a_deviation_that_is_not_a_number_never_passes(measure: Measure) -> None:
    points = Points([1.0, 1.0, 1.0], [1.0, float("nan"), 2.0], ["a", "b", "c"])
    verdict = CHOSEN.check(measure, "nothing", "none", lambda: points, 10.0, "none").run()
    assert verdict.worst.where == "b"
    assert not verdict.passed


@pytest.mark.parametrize(
    ("measure", "where", "deviation"),
    [
        (Measure.RELATIVE, "b", 0.25),
        (Measure.ABSOLUTE, "c", 1.0),
        (Measure.AT_MOST, "a", 0.125),
        (Measure.AT_LEAST, "c", 1.0),
    ],
)
def test_the_worst_point_is_the_one_reported(
    measure: Measure, where: str, deviation: float
) -> None:
    found = worst(measure, Points([1.0, 2.0, 8.0], [1.125, 1.5, 7.0], ["a", "b", "c"]))
    assert (found.where, found.deviation) == (where, deviation)


def test_a_comparison_without_points_is_refused() -> None:
    with pytest.raises(ValueError, match="0"):
        worst(Measure.ABSOLUTE, Points([], []))


def test_what_we_chose_ourselves_is_not_listed_as_accuracy() -> None:
    book = Source("A book", Status.PUBLISHED)
    found = [
        source.absolute("one", "none", lambda: Points(1.0, 1.0), 0.1, "none").run()
        for source in (book, CHOSEN)
    ]
    assert apart([("Family", found)]) == [("Family", found[:1]), (GUARDS, found[1:])]
