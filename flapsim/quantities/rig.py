"""Quantities measured on a rig. Those that a run reports too are defined once, for both.

Electrical power is an exception in words: a rig reports it where voltage and current are measured.
"""

from __future__ import annotations

from flapsim.quantities.cycle import DRIVE, SCALARS, SERIES
from flapsim.quantities.definition import Quantity

_RUN = SERIES | SCALARS | DRIVE
_WORDS = {
    "shaft_power_w": "power on the crank",
    "electrical_power_w": "electrical power at the sensor",
    "drive_efficiency": "shaft power over electrical power",
    "total_efficiency": "thrust power over electrical power",
}
_RUN |= {name: _RUN[name]._replace(long_name=words) for name, words in _WORDS.items()}

MEASURED_SERIES = {
    "lift_n": _RUN["lift_n"],
    "thrust_n": _RUN["thrust_n"],
    "shaft_torque_n_m": Quantity("N m", "torque on the crank", "lower"),
    "shaft_power_w": _RUN["shaft_power_w"],
    "electrical_power_w": _RUN["electrical_power_w"],
    "voltage_v": Quantity("V", "voltage"),
    "current_a": Quantity("A", "current", "lower"),
    "airspeed_m_s": Quantity("m s-1", "airspeed"),
}
"""Averaged strokes, in the order of the report."""

MEASURED = {
    "frequency_hz": Quantity("Hz", "stroke frequency"),
    "airspeed_m_s": MEASURED_SERIES["airspeed_m_s"],
} | {
    name: _RUN[name]
    for name in (
        "lift_n", "thrust_n", "thrust_power_w", "electrical_power_w", "shaft_power_w",
        "aero_power_w", "drive_efficiency", "aerodynamic_efficiency", "total_efficiency",
        "tare_efficiency", "flapping_efficiency",
    )
}  # fmt: skip
"""Results of a measurement, in the order of the report."""

RIG_LOG = {
    "sample_rate_hz": Quantity("Hz", "sample rate that the time column shows"),
    "jitter_s": Quantity("s", "scatter of the time between samples", "lower"),
    "rows": Quantity("1", "rows of the log"),
    "gaps": Quantity("1", "gaps in the log", "lower"),
    "samples dropped in gaps": Quantity("1", "samples lost in gaps", "lower"),
    "found": Quantity("1", "strokes found in the log"),
}

RIG_AXES = {
    "rig_phase": Quantity("rad", "stroke phase, middle of the bin"),
    "stroke": Quantity("1", "number of the stroke in the log"),
    "start": Quantity("s", "time at which the stroke begins"),
    "period": Quantity("s", "period of the stroke"),
    "accepted": Quantity("1", "1 for a stroke that counts"),
}
