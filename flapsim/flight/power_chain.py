"""The chain of powers from the battery to the thrust, with the loss of every step."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

from flapsim.case.craft import Drive
from flapsim.cycle.simulate import Cycle
from flapsim.drive.limits import drive_notes
from flapsim.drive.train import DriveTrain, drive_means, drive_train
from flapsim.flight.size_drive import wing_load
from flapsim.half_wing.twist.report import compliant


class PowerLink(NamedTuple):
    """One step of the chain.

    Attributes
    ----------
    name : str
        Where the power is measured, or the loss.
    power : float
        Mean, W; NaN if the drive cannot deliver the state.
    loss : bool
        Whether it is a loss.
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
        Powers and losses in order; each power is the one before less the losses between.
    means : dict of str to float
        Names and units in `flapsim.quantities`.
    imbalance : float
        Battery power minus all losses and uses, relative to the battery power.
    drive : Drive
        Its battery also feeds the twist actuators.
    train : DriveTrain
        Step by step.
    notes : tuple of str
        Limits exceeded and work not recovered.
    """

    links: tuple[PowerLink, ...]
    means: dict[str, float]
    imbalance: float
    drive: Drive
    train: DriveTrain
    notes: tuple[str, ...]


_LINKS = (
    ("from the battery's cells", "battery_power_w", False),
    ("battery's resistance", "battery_loss_w", True),
    ("at the battery's terminals", "electrical_power_w", False),
    ("electronics and actuators", "auxiliary_power_w", True),
    ("at the motor's terminals", "motor_power_w", False),
    ("winding", "copper_loss_w", True),
    ("motor at no load", "no_load_loss_w", True),
    ("at the motor's shaft", "motor_output_w", False),
    ("gear friction", "gear_friction_w", True),
    ("at the crank", "shaft_power_w", False),
    ("returned work not recovered", "unrecovered_power_w", True),
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
"""Label and name of each ratio of the chain."""


def power_chain(cycle: Cycle) -> PowerChain:
    """Mean powers of a cycle from the battery to the thrust; ValueError without a drive."""
    case = cycle.case
    drive = cycle.drive
    if drive is None:
        raise ValueError(f"{case.name}: the case has no drive")
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
    return PowerChain(links, means, _imbalance(means), drive, train, drive_notes(drive, means))


def _imbalance(means: Mapping[str, float]) -> float:
    # The means of spring and inertial power are zero but for rounding; counted all the same.
    taken = sum(
        means[name]
        for name in (
            "battery_loss_w", "auxiliary_power_w", "copper_loss_w", "no_load_loss_w",
            "gear_loss_w", "aero_power_w", "twist_loss_w", "spring_power_w", "inertial_power_w",
        )
    )  # fmt: skip
    whole = means["battery_power_w"]
    return abs(whole - taken) / whole if whole > 0.0 else math.nan
