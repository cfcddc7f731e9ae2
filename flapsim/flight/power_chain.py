"""The chain of watts: what each step from the battery to the thrust passes on, and what it takes.

Answers: where do the watts of the battery stay, under which name? Computes nothing but what
`flapsim.drive.train` and the cycle hold.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

from flapsim.cycle.simulate import Cycle
from flapsim.drive.limits import drive_notes
from flapsim.drive.train import DriveTrain, drive_means, drive_train
from flapsim.flight.size_drive import wing_load
from flapsim.half_wing.twist.report import compliant

__all__ = ["RATIOS", "PowerChain", "PowerLink", "power_chain"]


class PowerLink(NamedTuple):
    """One step of the chain.

    Attributes
    ----------
    name : str
        What the power is at, or what takes it.
    power : float
        Mean, W; NaN where there is no such state.
    loss : bool
        Whether this leaves the chain.
    """

    name: str
    power: float
    loss: bool


@dataclass(frozen=True)
class PowerChain:
    """From the battery to the thrust.

    Attributes
    ----------
    links : tuple of PowerLink
        Powers at the steps, and between them what is lost; each power is the one before less the
        losses between.
    means : dict of str to float
        Names and units in `flapsim.quantities`.
    imbalance : float
        What the battery gives less all that takes it, part of the whole.
    train : DriveTrain
        Step by step.
    notes : tuple of str
        What the drive cannot do, in words.
    """

    links: tuple[PowerLink, ...]
    means: dict[str, float]
    imbalance: float
    train: DriveTrain
    notes: tuple[str, ...]


_LINKS = (
    ("from the battery's cells", "battery_power_w", False),
    ("battery's resistance", "battery_loss_w", True),
    ("at the battery's terminals", "electrical_power_w", False),
    ("electronics and actuators", "auxiliary_power_w", True),
    ("at the motor's terminals", "motor_power_w", False),
    ("winding", "copper_loss_w", True),
    ("motor without load", "no_load_loss_w", True),
    ("at the motor's shaft", "motor_output_w", False),
    ("gear friction", "gear_friction_w", True),
    ("at the crank", "shaft_power_w", False),
    ("returned work not taken up", "unrecovered_power_w", True),
    ("twist: dampers less actuators", "twist_loss_w", True),
    ("given to the air", "aero_power_w", False),
    ("left in the wake", "wake_loss_w", True),
    ("friction and separation", "profile_loss_w", True),
    ("thrust × airspeed", "thrust_power_w", False),
)

RATIOS = (
    ("motor efficiency", "motor_efficiency"),
    ("drive efficiency", "drive_efficiency"),
    ("aerodynamic efficiency", "aerodynamic_efficiency"),
    ("total efficiency", "total_efficiency"),
    ("propulsive efficiency", "propulsive_efficiency"),
    ("flapping efficiency", "flapping_efficiency"),
    ("effective lift to drag", "effective_lift_to_drag"),
    ("cost of transport", "cost_of_transport"),
)
"""Ratios of the chain: how a reader calls them, and their names."""


def power_chain(cycle: Cycle) -> PowerChain:
    """Follow the watts of a cycle from the battery to the thrust.

    Parameters
    ----------
    cycle : Cycle
        Of a case with a drive.

    Returns
    -------
    PowerChain

    Raises
    ------
    ValueError
        If the case has no drive.
    """
    case = cycle.case
    drive = cycle.drive
    if drive is None:
        raise ValueError(f"{case.name}: no drive, so no watts from a battery")
    load = wing_load(cycle)
    train = drive_train(drive, case.stroke.frequency_hz, *load)
    driven = drive_means(replace(case, drive=drive), *load, cycle.mean["thrust_n"])
    means = dict(cycle.mean) | {name: float(value) for name, value in driven.items()}
    means["twist_loss_w"] = -means["twist_power_w"]
    driven_twist = not any(any(compliant(case, side)) for side in ("starboard", "port"))
    links = tuple(
        PowerLink(name, means[key], loss)
        for name, key, loss in _LINKS
        if not (driven_twist and key == "twist_loss_w")
    )
    return PowerChain(links, means, _imbalance(means), train, drive_notes(drive, means))


def _imbalance(means: Mapping[str, float]) -> float:
    # Spring and wing mass give back what they take: their means are rounding, and are counted.
    taken = sum(
        means[name]
        for name in (
            "battery_loss_w", "auxiliary_power_w", "copper_loss_w", "no_load_loss_w",
            "gear_loss_w", "aero_power_w", "twist_loss_w", "spring_power_w", "inertial_power_w",
        )
    )  # fmt: skip
    whole = means["battery_power_w"]
    return abs(whole - taken) / whole if whole > 0.0 else math.nan
