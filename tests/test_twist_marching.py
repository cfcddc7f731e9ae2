"""The periodic twist and its multipliers against brute force: the equation of motion marched."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from flapsim.case import Case, read_case
from flapsim.half_wing.twist.half_wing import HalfWing, half_wing
from flapsim.half_wing.twist.stability import stability
from flapsim.wing.schedule import evaluate
from tests.marching import Marched

GLASSHOUSE = read_case(Path(__file__).parent.parent / "cases" / "glasshouse.toml")

KINDS = (
    ("thin-airfoil", "lifting-line", "indicial", "finite-wing", "outer"),
    ("thin-airfoil", "slope", "indicial", "finite-wing", "both"),
    ("thin-airfoil", "none", "indicial", "two-dimensional", "outer"),
    ("thin-airfoil", "slope", "quasi-steady", "finite-wing", "outer"),
    ("thin-plate", "slope", "indicial", "finite-wing", "inner"),
)
DESIGNS = 10
STEPS = 64
MARCHED = 1e-6
"""Tolerance of a step of the marching; what the balance is held against is found to that."""


def spring(pick: np.random.Generator, low: float, high: float) -> dict[str, object]:
    return {
        "mode": "passive",
        "rest_deg": float(pick.uniform(-2.0, 8.0)),
        "stiffness_n_m_rad": float(np.exp(pick.uniform(np.log(low), np.log(high)))),
        "damping_n_m_s_rad": float(pick.uniform(0.0, 2e-3)),
    }


def small_case() -> Case:
    """The surveyor with few strips and a friction that does not ask for the stroke's mean speed."""
    return GLASSHOUSE.replace(
        {
            "drive": None,
            "wing.section.friction": 0.012,
            "wing.inner.strips": 3,
            "wing.outer.strips": 5,
            "model.modes": 4,
            "model.steps": STEPS,
        }
    )


@cache
def random_design(number: int) -> Case:
    """A wing with one or two compliant segments; every number of its own."""
    pick = np.random.default_rng([20260, number])
    law, induced, wake, lag, part = KINDS[number % len(KINDS)]

    def between(low: float, high: float) -> float:
        return float(pick.uniform(low, high))

    changes: dict[str, object] = {
        "wing.section.law": law,
        "wing.section.zero_lift_deg": between(-5.0, 0.0),
        "wing.section.suction": between(0.3, 1.0),
        "wing.section.stall_deg": 25.0,
        "wing.section.stall_width_deg": 10.0,
        "model.induced": induced,
        "model.wake": wake,
        "model.wake_lag": lag,
        "wing.twist_axis": between(0.1, 0.3),
        "wing.inner.skin_kg_m2": between(0.1, 0.3),
        "wing.outer.skin_kg_m2": between(0.1, 0.4),
        "flight.airspeed_m_s": between(4.0, 7.0),
        "flight.pitch_deg": between(0.0, 6.0),
        "flight.climb_deg": between(-10.0, 10.0),
        "stroke.plane_deg": between(-15.0, 15.0),
        "stroke.frequency_hz": between(1.5, 3.0),
        "stroke.inner.plunge.amplitude_deg": between(8.0, 18.0),
        "stroke.outer.plunge.amplitude_deg": between(0.0, 12.0),
        "stroke.outer.sweep.amplitude_deg": between(0.0, 8.0),
    }
    if part != "inner":
        changes["stroke.outer.twist"] = spring(pick, 0.15, 0.5)
    if part != "outer":
        changes["stroke.inner.twist"] = spring(pick, 1.0, 3.0)
    if part == "inner":
        driven = {"tip_amplitude_deg": 10.0, "tip_lag_deg": -70.0}
        changes["stroke.outer.twist"] = None if number < len(KINDS) else driven
    return small_case().replace(changes)


def compliant_twists(half: HalfWing, phases: np.ndarray) -> np.ndarray:
    """Twist of every compliant segment at some phases."""
    return np.array([evaluate(half.twist[p.segment][:, 0], phases)[0] for p in half.parts])


@cache
def marched_and_balanced(number: int) -> tuple[float, int, int]:
    """Largest difference of the two over the largest twist, and what each of them cost.

    The cost is counted in loads of all strips at an instant. Marching needs them twice for one
    compliant segment, thrice for two: the air's inertia must be told from the rest before there is
    an acceleration.
    """
    case = random_design(number)
    half = half_wing(case)
    assert half.balance is not None
    assert half.found.all()
    march = Marched(case)
    state, _ = march.settle(MARCHED)
    cost = march.evaluations * (1 + march.count)
    phases = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    brute = march.stroke(state, MARCHED, phases)[: march.count]
    apart = np.abs(compliant_twists(half, phases) - brute).max() / np.abs(brute).max()
    return float(apart), cost, int(half.balance.runs[0]) * case.model.steps


@pytest.mark.parametrize("number", range(DESIGNS))
def test_the_balance_is_what_marching_ends_in(number: int) -> None:
    apart, _, _ = marched_and_balanced(number)
    assert apart <= 1e-6


def test_the_balance_costs_a_tenth_of_marching() -> None:
    costs = np.array([marched_and_balanced(number)[1:] for number in range(DESIGNS)])
    marching, balance = costs.sum(axis=0)
    assert balance <= 0.1 * marching


def test_two_compliant_segments_are_balanced_in_few_runs_of_the_kernel() -> None:
    # The inner twist carries the outer segment: both must be guessed together.
    for number in (1, 6):
        balance = half_wing(random_design(number)).balance
        assert balance is not None
        assert balance.runs.max() <= 12


@pytest.mark.parametrize("number", [0, 1, 4])
def test_few_steps_give_the_same_twist_less_exactly(number: int) -> None:
    # With 16 steps the harmonics from the eighth on look like lower ones and must not be solved.
    phases = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    fine = compliant_twists(half_wing(random_design(number)), phases)
    coarse_case = random_design(number).replace({"model.steps": 16})
    coarse = compliant_twists(half_wing(coarse_case), phases)
    assert np.abs(coarse - fine).max() < 1e-3 * np.abs(fine).max()


def test_a_twist_that_runs_into_its_stops_is_what_marching_ends_in() -> None:
    # Corners of the motion are beyond the harmonics kept: per cents of the twist, not 1e-6.
    stops = {"mode": "passive", "stiffness_n_m_rad": 0.12, "stops_deg": (-6.0, 5.0)}
    attached = {"wing.section.law": "thin-airfoil", "model.induced": "slope"}
    case = small_case().replace({**attached, "stroke.outer.twist": stops})
    half = half_wing(case)
    assert half.found.all()
    march = Marched(case)
    phases = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    brute = march.stroke(march.settle(MARCHED)[0], MARCHED, phases)[:1]
    assert brute.min() < np.radians(-6.0)
    assert np.abs(compliant_twists(half, phases) - brute).max() < 0.03 * np.ptp(brute)


def departing() -> dict[str, Case]:
    """Wings whose departures die out slowly, swing, or grow."""
    heavy = {"wing.inner.skin_kg_m2": 2.0, "wing.outer.skin_kg_m2": 2.0}
    attached = {"wing.section.law": "thin-airfoil", "model.induced": "slope"}
    no_wake = attached | {"model.wake": "quasi-steady"}
    one = {"mode": "passive", "rest_deg": 4.0, "stiffness_n_m_rad": 2.0}
    weak = {"mode": "passive", "rest_deg": 7.0, "stiffness_n_m_rad": 0.062}
    cases = {
        "swinging": no_wake | heavy | {"stroke.outer.twist": one},
        "with a wake": attached | heavy | {"stroke.outer.twist": one},
        "lifting line, both segments": attached
        | {"model.induced": "lifting-line"}
        | heavy
        | {"stroke.outer.twist": one, "stroke.inner.twist": one | {"stiffness_n_m_rad": 8.0}},
        "diverging": no_wake
        | {"wing.twist_axis": 0.4, "wing.outer.skin_kg_m2": 0.5, "flight.airspeed_m_s": 5.6}
        | {"stroke.inner.plunge.amplitude_deg": 1.0, "stroke.outer.plunge.amplitude_deg": 1.0}
        | {"stroke.inner.twist.tip_amplitude_deg": 0.0}
        | {"stroke.outer.twist": weak | {"stiffness_n_m_rad": 0.05, "rest_deg": 0.5}},
        "growing from stroke to stroke": no_wake
        | {"wing.inner.skin_kg_m2": 2.64, "wing.outer.skin_kg_m2": 2.64}
        | {"flight.pitch_deg": 7.9}
        | {"stroke.inner.plunge.amplitude_deg": 10.0, "stroke.outer.plunge.amplitude_deg": 10.0}
        | {"stroke.outer.twist": weak | {"stiffness_n_m_rad": 0.057, "rest_deg": 5.2}}
        | {"stroke.inner.twist": {"mode": "passive", "stiffness_n_m_rad": 0.39}},
    }
    return {name: small_case().replace(changes) for name, changes in cases.items()}


def periodic_state(march: Marched, case: Case, half: HalfWing) -> np.ndarray:
    """State at phase zero: marched, or without a wake taken from the balance."""
    if case.model.wake == "indicial":
        return march.settle(1e-9)[0]
    twists = [evaluate(half.twist[p.segment][:, 0], np.zeros(1)) for p in half.parts]
    rates = [rate[0] * march.omega for _, rate, _ in twists]
    return np.array([value[0] for value, _, _ in twists] + rates)


@pytest.mark.parametrize("name", departing())
def test_the_multipliers_are_those_of_marched_departures(name: str) -> None:
    case = departing()[name]
    half = half_wing(case)
    assert half.found.all()
    march = Marched(case)
    seen = np.linalg.eigvals(march.carried(periodic_state(march, case, half)))
    seen = seen[np.argsort(-np.abs(seen))]
    verdict = stability(case, half)
    for multiplier in seen[:2]:
        nearest = verdict.multipliers[np.argmin(np.abs(verdict.multipliers - multiplier))]
        assert abs(nearest - multiplier) <= 0.01 * abs(seen[0])
    assert verdict.largest == pytest.approx(abs(seen[0]), rel=0.01)
    expected = {"diverging": "divergence", "growing from stroke to stroke": "flutter"}
    assert verdict.name == expected.get(name, "stable")
