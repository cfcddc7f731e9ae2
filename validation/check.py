"""What one comparison with a source is: a reference, a deviation and an argued tolerance.

A check is a description with a function that has not been run yet, so that listing the checks
costs nothing.  Running it gives the worst point of the comparison.  A deviation that is not a
number never passes.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial

import numpy as np
from numpy.typing import ArrayLike


class Status(StrEnum):
    """How sure the reference is."""

    EXACT = "exact"
    """A closed formula, an identity, or a numerical solution cross-checked to all digits used."""
    PUBLISHED = "published"
    """Numbers read in the named source."""
    MEMORY = "memory"
    """Recalled, not confirmed against the source."""


class Measure(StrEnum):
    """How computed and reference are held against each other."""

    RELATIVE = "relative"
    """``|computed / reference - 1|``."""
    ABSOLUTE = "absolute"
    """``|computed - reference|`` in the unit of the quantity."""
    EXCESS = "excess"
    """How far a bound is overstepped, in the unit of the quantity; negative means it is kept."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """The worst point of one comparison."""

    reference: float
    computed: float
    deviation: float
    where: str = ""


@dataclass(frozen=True, slots=True)
class Check:
    """One comparison of the solver with one source.

    Attributes
    ----------
    source : str
        Author, year and place of the reference.
    quantity : str
        What is compared.
    status : Status
        How sure the reference is.
    measure : Measure
    tolerance : float
        Largest deviation that passes.
    why : str
        Argument for the tolerance.
    model : str
        Model options of the run, or the function compared.
    compare : callable
        Computes the comparison; no arguments.
    unit : str
        Unit of an absolute deviation or an excess, empty for a pure number.
    """

    source: str
    quantity: str
    status: Status
    measure: Measure
    tolerance: float
    why: str
    model: str
    compare: Callable[[], Comparison]
    unit: str = ""

    @property
    def name(self) -> str:
        """Short name for a test report, in ASCII letters, digits and dashes."""
        words = f"{self.source.split('(')[0]} {self.quantity}"
        return re.sub(r"[^a-z0-9]+", "-", words.lower()).strip("-")

    def run(self) -> Verdict:
        """Compute the comparison and judge it."""
        return Verdict(self, self.compare())


@dataclass(frozen=True, slots=True)
class Verdict:
    """A check that has been run."""

    check: Check
    comparison: Comparison

    @property
    def passed(self) -> bool:
        """Whether the deviation is a number within the tolerance."""
        return bool(self.comparison.deviation <= self.check.tolerance)

    @property
    def deviation_text(self) -> str:
        """Deviation with its unit."""
        return amount(self.comparison.deviation, self.check)

    @property
    def tolerance_text(self) -> str:
        """Tolerance with its unit."""
        return amount(self.check.tolerance, self.check)

    def __str__(self) -> str:
        at = f" at {self.comparison.where}" if self.comparison.where else ""
        return (
            f"{self.check.source}: {self.check.quantity}{at}: reference "
            f"{self.comparison.reference:.6g}, computed {self.comparison.computed:.6g}, deviation "
            f"{self.deviation_text}, tolerance {self.tolerance_text} ({self.check.why})"
        )


def amount(value: float, check: Check) -> str:
    """Write a deviation or tolerance the way its measure is read."""
    if check.measure is Measure.RELATIVE:
        return f"{100 * value:.2g} %" if value >= 1e-5 or value == 0 else f"{value:.1e}"
    sign = "+" if check.measure is Measure.EXCESS else ""
    return f"{value:{sign}.2g} {check.unit}".rstrip()


def worst_relative(
    reference: ArrayLike, computed: ArrayLike, where: Sequence[str] | str = ""
) -> Comparison:
    """Point of largest relative deviation; a value that is not a number is the worst."""
    expected, found = _points(reference, computed)
    with np.errstate(divide="ignore", invalid="ignore"):
        deviation = np.abs(found / expected - 1.0)
    return _worst(expected, found, deviation, where)


def worst_absolute(
    reference: ArrayLike, computed: ArrayLike, where: Sequence[str] | str = ""
) -> Comparison:
    """Point of largest absolute deviation; a value that is not a number is the worst."""
    expected, found = _points(reference, computed)
    return _worst(expected, found, np.abs(found - expected), where)


def worst_excess(
    bound: ArrayLike, computed: ArrayLike, where: Sequence[str] | str = ""
) -> Comparison:
    """Point where ``computed <= bound`` is closest to failing, or fails most."""
    limit, found = _points(bound, computed)
    return _worst(limit, found, found - limit, where)


def worst_shortfall(
    bound: ArrayLike, computed: ArrayLike, where: Sequence[str] | str = ""
) -> Comparison:
    """Point where ``computed >= bound`` is closest to failing, or fails most."""
    limit, found = _points(bound, computed)
    return _worst(limit, found, limit - found, where)


def _points(reference: ArrayLike, computed: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    expected = np.atleast_1d(np.asarray(reference, dtype=float))
    found = np.atleast_1d(np.asarray(computed, dtype=float))
    if expected.shape != found.shape or expected.size == 0:
        raise ValueError(f"{expected.shape} reference values for {found.shape} computed ones")
    return expected.ravel(), found.ravel()


def _worst(
    reference: np.ndarray, computed: np.ndarray, deviation: np.ndarray, where: Sequence[str] | str
) -> Comparison:
    places = [where] * len(reference) if isinstance(where, str) else list(where)
    if len(places) != len(reference):
        raise ValueError(f"{len(places)} places for {len(reference)} values")
    unknown = np.flatnonzero(np.isnan(deviation))
    at = int(unknown[0]) if unknown.size else int(np.argmax(deviation))
    return Comparison(float(reference[at]), float(computed[at]), float(deviation[at]), places[at])


relative = partial(Check, measure=Measure.RELATIVE)
absolute = partial(Check, measure=Measure.ABSOLUTE)
bounded = partial(Check, measure=Measure.EXCESS)

Checks = Iterator[Check]
