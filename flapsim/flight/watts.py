"""What steady flight takes from the battery: the drive of a cycle, or of many trimmed designs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.cycle import Cycle, simulate
from flapsim.drive import REPORTED, drive_means, drive_notes, drive_train

Array = NDArray[np.float64]

BATTERY = ("battery_current_a", "battery_voltage_v", "battery_power_w")
"""What endurance needs, beside what every run reports of its drive."""


def watts(cycle: Cycle) -> dict[str, float]:
    """Means of the drive of a cycle: shaft, motor, gear, battery, and their ratios.

    Parameters
    ----------
    cycle : Cycle
        Any cycle.

    Returns
    -------
    dict of str to float
        Names as in `flapsim.drive.drive_means`; NaN for what only a drive has if there is none.
    """
    means = drive_means(
        replace(cycle.case, drive=cycle.drive), *_load(cycle), np.asarray(cycle.mean["thrust_n"])
    )
    out = {name: float(value) for name, value in means.items()}
    return dict.fromkeys(BATTERY, math.nan) | out


def drive_warnings(cycle: Cycle) -> tuple[str, ...]:
    """What the drive of a cycle cannot do, in words.

    Parameters
    ----------
    cycle : Cycle
        Any cycle.

    Returns
    -------
    tuple of str
        Empty without a drive, and where it gives what is asked.
    """
    drive = cycle.drive
    if drive is None:
        return ()
    return drive_notes(drive, drive_train(drive, cycle.case.stroke.frequency_hz, *_load(cycle)))


def _load(cycle: Cycle) -> tuple[Array, Array, Array, Array]:
    """Powers given to air and mass, W, plunge at the shoulder, rad, and its rate, rad/s."""
    plunge = np.radians(cycle.series["inner_plunge_deg"])
    rate = math.tau * cycle.case.stroke.frequency_hz * _slope(plunge)
    air = cycle.series["aero_power_w"] - cycle.series["twist_power_w"]
    return air, cycle.series["inertial_power_w"], plunge, rate


def _slope(values: Array) -> Array:
    """Derivative of a band-limited periodic series with respect to its phase; exact."""
    harmonics = np.fft.rfft(values)
    order = np.arange(harmonics.size)
    order[-1] = 0  # the highest harmonic of an even number of steps has no direction
    return np.asarray(np.fft.irfft(1j * order * harmonics, n=values.size))


def watts_of_many(
    case: Case,
    columns: Mapping[str, Array],
    results: Mapping[str, Array],
    wanted: NDArray[np.bool_],
) -> dict[str, Array]:
    """Drives of many designs.

    Parameters
    ----------
    case : Case
        What the designs share.
    columns : mapping of str to ndarray, shape (B,)
        Numbers in which they differ.
    results : mapping of str to ndarray, shape (B,)
        What is known of them, names as in `flapsim.outcome.evaluate`; taken where it has a drive's
        watts already.
    wanted : ndarray of bool, shape (B,)
        Designs to compute; the others are NaN.

    Returns
    -------
    dict of str to ndarray, shape (B,)
        Names of `flapsim.drive.REPORTED` and `BATTERY`.
    """
    names = (*REPORTED, *BATTERY)
    out = {name: np.full(wanted.shape, np.nan) for name in names}
    if case.drive is None:
        return out
    if all(f"mean.{name}" in results for name in names):
        return {name: np.where(wanted, results[f"mean.{name}"], np.nan) for name in names}
    for design in np.flatnonzero(wanted):
        here = case.replace({key: float(values[design]) for key, values in columns.items()})
        found = watts(simulate(here))
        for name in names:
            out[name][design] = found[name]
    return out
