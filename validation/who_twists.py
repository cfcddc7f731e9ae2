"""What the twist of the outer wing is worth: driven, tuned spring, untuned spring.

Common practice has it that, on a wing of about 2 m and 0.45 kg at 4.5 to 5.5 m/s and about 2 Hz,
going from an untuned passive outer twist to a well-timed driven one raises the flapping efficiency
from about 30 % to about 80 %. The pair of cases is of our own making and differs only in the outer
twist; both are trimmed for level flight by pitch and plunge, so lift and net thrust are the same.
It shows that such wings exist with the default models, and no more: on a wing of less drag a stiff
outer segment need not stall, and then it reaches 0.5 to 0.6. So these checks guard against change.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from flapsim.case import read_case
from flapsim.cycle.simulate import simulate
from flapsim.flight.search import TrimStatus, trim_many
from validation.check import Checks, Points, Source, Status
from validation.sane_craft import PLUNGES

TITLE = "Who decides the twist"

CASES = Path(__file__).parents[1] / "cases"
PRACTICE = Source("Common practice, shown by cases of our own", Status.OWN)
DRIVEN, UNTUNED = 0.80, 0.30
TOLERANCE = 0.05
TUNED = {
    "stroke.outer.twist.stiffness_n_m_rad": 0.045,
    "stroke.outer.twist.rest_deg": 35.0,
    "stroke.outer.twist.damping_n_m_s_rad": 0.001,
}
"""The best of a search over stiffness, preset up to 35 deg and damping, rounded."""


def checks() -> Checks:
    """Every comparison of this family."""
    for quantity, reported, name in (
        ("flapping efficiency, outer twist driven and well timed", DRIVEN, "driven"),
        ("flapping efficiency, outer twist left to an untuned spring", UNTUNED, "untuned"),
    ):
        yield PRACTICE.absolute(
            quantity,
            "defaults, two metres, trimmed",
            lambda reported=reported, name=name: Points(reported, efficiency(name)),
            TOLERANCE,
            "reported as 'about', to one digit",
        )
    yield PRACTICE.at_most(
        "a tuned spring lies between the untuned one and the drive",
        "defaults, two metres, trimmed",
        tuned_lies_between,
    )
    yield PRACTICE.at_least(
        "aerodynamic torsional stiffness over that of the tuned spring, at least",
        "defaults, two metres, trimmed",
        lambda: Points(0.5, stiffness_of_the_air()),
        why="the good passive wing is soft, about as stiff as the air: within a factor of two",
    )


def tuned_lies_between() -> Points:
    """Order of the three efficiencies."""
    return Points(
        [efficiency("tuned"), efficiency("driven")],
        [efficiency("untuned"), efficiency("tuned")],
        ["untuned under tuned", "tuned under driven"],
    )


@cache
def efficiency(name: str) -> float:
    """Flapping efficiency in level flight: "driven", "untuned" or "tuned"."""
    case = read_case(CASES / f"two_metre_{'driven' if name == 'driven' else 'passive'}.toml")
    if name == "tuned":
        case = case.replace(TUNED)
    found = trim_many(case, None, ("flight.pitch_deg", PLUNGES))
    if found.status[0] != TrimStatus.TRIMMED:
        return float("nan")
    return float(found.results["mean.flapping_efficiency"][0])


def stiffness_of_the_air() -> float:
    """Torsional stiffness of the air over that of the tuned spring."""
    case = read_case(CASES / "two_metre_passive.toml").replace(TUNED)
    found = trim_many(case, None, ("flight.pitch_deg", PLUNGES))
    state = case.replace({key: float(value[0]) for key, value in found.solution.items()})
    air = simulate(state).twist["outer"]["air_stiffness_n_m_rad"]
    return air / TUNED["stroke.outer.twist.stiffness_n_m_rad"]
