"""What one comparison with a source is: a reference, a deviation and an argued tolerance.

A `Source` makes checks. A check is a description with a function that has not been run yet, so
that listing the checks costs nothing. The function gives the points compared; the measure of the
check says which of them is worst. A deviation that is not a number never passes.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partialmethod
from typing import NamedTuple

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
    OWN = "own"
    """A value that we chose or gave to the solver, or one reference checked by another: guards
    against change, and says nothing about the accuracy of the solver."""


class Measure(StrEnum):
    """How computed and reference are compared."""

    RELATIVE = "relative"
    """``|computed / reference - 1|``."""
    ABSOLUTE = "absolute"
    """``|computed - reference|`` in the unit of the quantity."""
    AT_MOST = "at most"
    """``computed - reference``: how far an upper bound is exceeded; negative is the margin."""
    AT_LEAST = "at least"
    """``reference - computed``: how far a lower bound is missed; negative is the margin."""

    @property
    def is_bound(self) -> bool:
        """Whether the check is an inequality."""
        return self in (Measure.AT_MOST, Measure.AT_LEAST)


class Points(NamedTuple):
    """Reference and computed values of one comparison, and where each point is."""

    reference: ArrayLike
    computed: ArrayLike
    where: Sequence[str] | str = ""


class Worst(NamedTuple):
    """The worst point of one comparison."""

    reference: float
    computed: float
    deviation: float
    where: str


def worst(measure: Measure, points: Points) -> Worst:
    """Find the point of largest deviation; a value that is not a number is the worst.

    Raises
    ------
    ValueError
        If there is no point, or references, values and places differ in number.
    """
    reference = np.atleast_1d(np.asarray(points.reference, dtype=float))
    computed = np.atleast_1d(np.asarray(points.computed, dtype=float))
    if reference.shape != computed.shape or reference.size == 0:
        raise ValueError(f"{reference.shape} reference values for {computed.shape} computed ones")
    reference, computed = reference.ravel(), computed.ravel()
    places = points.where
    places = [places] * reference.size if isinstance(places, str) else list(places)
    if len(places) != reference.size:
        raise ValueError(f"{len(places)} places for {reference.size} values")
    with np.errstate(divide="ignore", invalid="ignore"):
        deviation = {
            Measure.RELATIVE: np.abs(computed / reference - 1.0),
            Measure.ABSOLUTE: np.abs(computed - reference),
            Measure.AT_MOST: computed - reference,
            Measure.AT_LEAST: reference - computed,
        }[measure]
    at = int(np.argmax(deviation))  # NaN, if there is one
    return Worst(float(reference[at]), float(computed[at]), float(deviation[at]), places[at])


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
        Computes the points; no arguments.
    unit : str
        Unit of an absolute deviation or of a bound, empty for a pure number.
    """

    source: str
    quantity: str
    status: Status
    measure: Measure
    tolerance: float
    why: str
    model: str
    compare: Callable[[], Points]
    unit: str = ""

    @property
    def name(self) -> str:
        """Short name for a test report, in ASCII letters, digits and dashes."""
        words = f"{self.source.split('(')[0]} {self.quantity}"
        return re.sub(r"[^a-z0-9]+", "-", words.lower()).strip("-")

    @property
    def is_guard(self) -> bool:
        """Whether it guards against change only, and is not counted as accuracy."""
        return self.status is Status.OWN

    def run(self) -> Verdict:
        """Compute the points and judge the worst of them."""
        return Verdict(self, worst(self.measure, self.compare()))


STRICT = "an inequality: any overstepping fails"


@dataclass(frozen=True, slots=True)
class Source:
    """A reference, and how sure it is; its methods make the checks against it.

    Each takes the quantity, the model options (or the function compared), the function that gives
    the points, the tolerance and the argument for it; a bound takes no tolerance as a rule.
    """

    name: str
    status: Status

    def check(
        self,
        measure: Measure,
        quantity: str,
        model: str,
        compare: Callable[[], Points],
        tolerance: float = 0.0,
        why: str = STRICT,
        unit: str = "",
    ) -> Check:
        """Make a check of any measure."""
        return Check(
            self.name, quantity, self.status, measure, tolerance, why, model, compare, unit
        )

    relative = partialmethod(check, Measure.RELATIVE)
    absolute = partialmethod(check, Measure.ABSOLUTE)
    at_most = partialmethod(check, Measure.AT_MOST)
    at_least = partialmethod(check, Measure.AT_LEAST)


CHOSEN = Source("Value that we chose", Status.OWN)


@dataclass(frozen=True, slots=True)
class Verdict:
    """A check that has been run."""

    check: Check
    worst: Worst

    @property
    def passed(self) -> bool:
        """Whether the deviation is a number within the tolerance."""
        return bool(self.worst.deviation <= self.check.tolerance)

    @property
    def deviation_text(self) -> str:
        """Deviation with its unit."""
        return amount(self.worst.deviation, self.check)

    @property
    def tolerance_text(self) -> str:
        """Tolerance with its unit."""
        return amount(self.check.tolerance, self.check)

    @property
    def share_of_tolerance(self) -> float:
        """Deviation over tolerance; NaN for an inequality, which has a margin instead."""
        if self.check.measure.is_bound:
            return float("nan")
        return self.worst.deviation / self.check.tolerance

    def __str__(self) -> str:
        at = f" at {self.worst.where}" if self.worst.where else ""
        return (
            f"{self.check.source}: {self.check.quantity}{at}: reference "
            f"{self.worst.reference:.6g}, computed {self.worst.computed:.6g}, deviation "
            f"{self.deviation_text}, tolerance {self.tolerance_text} ({self.check.why})"
        )


def amount(value: float, check: Check) -> str:
    """Write a deviation or tolerance the way its measure is read."""
    if check.measure is Measure.RELATIVE:
        return f"{100 * value:.2g} %" if value >= 1e-5 or value == 0 else f"{value:.1e}"
    sign = "+" if check.measure.is_bound else ""
    return f"{value:{sign}.2g} {check.unit}".rstrip()


Checks = Iterator[Check]
