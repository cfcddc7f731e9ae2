"""Files that a rig file names: the dynamometer table, and the log of the wing held still."""

from __future__ import annotations

import dataclasses
import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from flapsim.faults import Faults
from flapsim.rig.cleaning import Cleaner
from flapsim.rig.crank_angle import TURN, CrankTracker
from flapsim.rig.log import LogReader, read_table
from flapsim.rig.rig_file import Rig
from flapsim.rig.shaft import Dynamometer

Array = NDArray[np.float64]

STILL_TURN: Final = 0.05
"""Fraction of a turn by which the crank may move while the wing is held still."""

STILL_BLOCKS: Final = 20
"""Blocks of a run at rest whose means give its scatter."""


def dynamometer_of(rig: Rig) -> Dynamometer | None:
    """Read the dynamometer table, if the rig has one.

    Raises
    ------
    CaseError
        If the file is at fault.
    """
    if rig.drive is None or rig.drive.dynamometer_file is None:
        return None
    file = rig.folder / rig.drive.dynamometer_file
    columns = read_table(file, ("current_a", "torque_n_m"))
    faults = Faults(file.name)
    for column, values in columns.items():
        if np.isnan(values).any():
            row = int(np.flatnonzero(np.isnan(values))[0])
            faults.add(f"row {row + 1}, {column}", "an empty cell", "a number")
        elif (np.diff(values) <= 0.0).any():
            row = int(np.flatnonzero(np.diff(values) <= 0.0)[0]) + 1
            faults.add(f"row {row + 1}, {column}", f"{values[row]:g}", "an increasing column")
    if len(columns["current_a"]) < 2:
        faults.add("", str(len(columns["current_a"])), "at least 2 rows")
    faults.raise_if_any()
    return Dynamometer(columns["current_a"], columns["torque_n_m"])


def still_thrust(rig: Rig) -> tuple[float, float] | None:
    """Thrust of the wing held still as the force balance reads it, and its standard uncertainty.

    Returns
    -------
    tuple of 2 floats or None
        N; None if the rig file gives neither the number nor a log.

    Raises
    ------
    CaseError
        If the log is at fault, or the crank turns in it.
    """
    tare = rig.tare
    if tare.still_thrust_n is not None:
        return tare.still_thrust_n, tare.still_thrust_uncertainty_n
    if tare.still_log is None or rig.channels.thrust is None:
        return None
    thrust_only = dataclasses.replace(
        rig,
        channels=dataclasses.replace(
            rig.channels, voltage=None, current=None, lift=None, torque=None, airspeed=None
        ),
        position=dataclasses.replace(rig.position, index_column=None),
    )
    path = rig.folder / tare.still_log
    cleaner, crank = Cleaner(thrust_only, path.name), CrankTracker(thrust_only, path.name)
    reader = LogReader(path, cleaner.columns, rig.log.separator, rig.log.decimal)
    parts, turned = [], [0.0]
    for chunk in reader.chunks():
        samples = cleaner.clean(chunk)
        parts.append(samples.values["thrust"])
        angle = crank.follow(samples)[1]
        turned += [float(angle.min()), float(angle.max())] if len(angle) else []
    cleaner.verdict()
    thrust, faults = np.concatenate(parts), Faults(path.name)
    if np.ptp(turned[1:] or turned) > STILL_TURN * TURN:
        faults.add(
            rig.position.column, f"a turn of {math.degrees(np.ptp(turned[1:])):.0f}°",
            "a crank at rest", "tare.still_log is the log of a run with the wing held still",
        )  # fmt: skip
    elif len(thrust) < STILL_BLOCKS:
        faults.add("", str(len(thrust)), f"at least {STILL_BLOCKS} rows")
    faults.raise_if_any()
    count = len(thrust) // STILL_BLOCKS
    means = thrust[: count * STILL_BLOCKS].reshape(STILL_BLOCKS, count).mean(axis=1)
    scatter = float(means.std(ddof=1)) / math.sqrt(STILL_BLOCKS)
    return float(thrust.mean()), math.hypot(scatter, tare.still_thrust_uncertainty_n)
