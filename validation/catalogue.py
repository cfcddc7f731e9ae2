"""Which families of checks there are, in the order in which a report shows them."""

from __future__ import annotations

from types import ModuleType

from validation import (
    finite_wing,
    finite_wing_lag,
    flapping_line,
    flat_plate,
    friction,
    guide_uncertainty,
    large_amplitude,
    minimum_loss,
    naca0012,
    oscillating_section,
    passive_twist,
    post_stall,
    reference_libraries,
    revolving_wing,
    still_twist,
    trends,
    trim_power,
    two_segments,
    wagner,
    who_twists,
)
from validation.check import Check

FAMILIES: tuple[ModuleType, ...] = (
    oscillating_section,
    passive_twist,
    still_twist,
    wagner,
    finite_wing,
    finite_wing_lag,
    flapping_line,
    minimum_loss,
    two_segments,
    large_amplitude,
    flat_plate,
    naca0012,
    friction,
    post_stall,
    revolving_wing,
    trends,
    trim_power,
    who_twists,
    reference_libraries,
    guide_uncertainty,
)


def all_checks() -> list[Check]:
    """Every check of every family, none of them run.

    Raises
    ------
    ValueError
        If two checks share a name, so that a report could not tell them apart.
    """
    checks = [check for family in FAMILIES for check in family.checks()]
    names = [check.name for check in checks]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"two checks are named {', '.join(twice)}")
    return checks
