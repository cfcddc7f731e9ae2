"""Analysis of a drive: chain of powers, best balance spring, speed ripple, drives to choose."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flapsim.cycle.simulate import Cycle
from flapsim.drive.crank import CrankSpeed, NoSteadyCrank, crank_speed_ripple
from flapsim.drive.spring import SpringOptimum, optimal_spring
from flapsim.flight.power_chain import PowerChain, power_chain
from flapsim.flight.size_drive import MotorType, SizedDrive, size_drive, wing_load


@dataclass(frozen=True)
class DriveReport:
    """What is known of the drive of a cycle.

    Attributes
    ----------
    ripple : CrankSpeed or str
        Speed ripple at constant voltage, or why there is no steady state.
    sized : tuple of SizedDrive
        Drives to choose from, least power first; empty without motors to choose from.
    """

    cycle: Cycle
    chain: PowerChain
    best_spring: SpringOptimum
    ripple: CrankSpeed | str
    sized: tuple[SizedDrive, ...]


def drive_report(
    cycle: Cycle, motors: Sequence[MotorType] | None = None, keep_spring: bool = False
) -> DriveReport:
    """Analyse the drive of a cycle and, if motors are given, size another.

    Raises ValueError for a case without a drive, and NoAnswer if no motor can drive the stroke.
    """
    chain = power_chain(cycle)
    drive, frequency, load = chain.drive, cycle.case.stroke.frequency_hz, wing_load(cycle)
    ripple: CrankSpeed | str
    try:
        ripple = crank_speed_ripple(drive, frequency, chain.train.series["shaft_power_w"])
    except NoSteadyCrank as error:
        ripple = str(error)
    best = optimal_spring(drive, frequency, *load)
    sized = () if motors is None else size_drive(drive, frequency, load, motors, keep_spring)
    return DriveReport(cycle, chain, best, ripple, sized)
