"""A bench for the tests: the rig file of the cases, its true values, and synthetic logs."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from flapsim import read_case
from flapsim.case import Case
from flapsim.rig import synthetic_log
from flapsim.rig.predicted import Prediction, predict
from flapsim.rig.reduction import Reduction, reduce_chunks
from flapsim.rig.rig_file import Rig, RigMotor, read_rig

Array = NDArray[np.float64]

CASES = Path(__file__).parents[1] / "cases"
LOG = CASES / "rig" / "bench_log.csv"
RIPPLE = 0.02

NOISE = {"voltage": (0.02, 0.005), "current": (0.01, 0.002), "lift": (0.05, 0.002),
         "thrust": (0.02, 0.001), "torque": (0.004, 0.0005)}  # fmt: skip
"""Noise and quantisation of each sensor, SI units."""


@cache
def glasshouse() -> Case:
    """Return the case behind the bench."""
    return read_case(CASES / "glasshouse.toml")


@cache
def bench() -> Rig:
    """Return the rig file of the cases."""
    return read_rig(CASES / "rig" / "bench.toml")


@cache
def truth() -> Prediction:
    """Return the true values."""
    return predict(glasshouse(), bench(), ripple=RIPPLE)


def sensors(errors: Mapping[str, tuple[float, float]] | None = None) -> dict[str, Any]:
    """Return sensors with their usual noise, and the given errors of gain and zero."""
    errors = errors or {}
    return {
        name: synthetic_log.Sensor(noise, step, *errors.get(name, (0.0, 0.0)))
        for name, (noise, step) in NOISE.items()
    }


def typical_flaws(**changes: Any) -> synthetic_log.Flaws:
    """Return the flaws of a typical run."""
    usual = {"sensors": sensors(), "jitter": 2e-4, "dropped": 0.002, "wander": 0.004, "gusts": 0.02}
    return synthetic_log.Flaws(**(usual | changes))


def log(
    rig: Rig, strokes: int = 24, seed: int = 0, flaws: synthetic_log.Flaws | None = None,
    prediction: Prediction | None = None,
) -> dict[str, Array]:  # fmt: skip
    """Return the columns of a log."""
    random = np.random.default_rng(seed)
    return synthetic_log.columns(
        prediction or truth(),
        rig,
        strokes,
        typical_flaws() if flaws is None else flaws,
        random,
    )


def reduced(columns: Mapping[str, Array], rig: Rig, name: str = "log.csv") -> Reduction:
    """Reduce columns as if they had been read from a file."""
    return reduce_chunks([synthetic_log.chunk(columns)], rig, name)


def drawn(seed: int) -> tuple[dict[str, Array], Rig]:
    """One trial: a log of sensors with errors, and a rig file with wrong constants.

    Every sensor error and every constant is drawn from the uncertainty that the rig file states.
    """
    random = np.random.default_rng(seed)
    rig, real = bench(), truth()
    errors = {
        name: (random.normal(0.0, channel.gain_uncertainty),
               random.normal(0.0, channel.zero_uncertainty))
        for name, channel in rig.measured.items()
    }  # fmt: skip
    columns = synthetic_log.columns(real, rig, 24, typical_flaws(sensors=sensors(errors)), random)
    return columns, believed(random, errors["thrust"])


def believed(random: np.random.Generator, thrust: tuple[float, float]) -> Rig:
    """Return the rig file with every constant off by a draw from its uncertainty."""
    rig, mean = bench(), truth().mean
    drive, tare, flow = rig.drive, rig.tare, rig.flow
    assert drive is not None
    assert drive.motor is not None
    assert flow is not None

    def off(value: float, uncertainty: float) -> float:
        return value + uncertainty * random.standard_normal()

    air, airspeed = mean["aero_power_w"], mean["airspeed_m_s"]
    still = mean["thrust_n"] - mean["tare_efficiency"] * air / airspeed + tare.body_thrust_n
    held = mean["flapping_efficiency"] * air / airspeed - mean["thrust_n"]
    motor = drive.motor
    return dataclasses.replace(
        rig,
        flow=dataclasses.replace(flow, airspeed_m_s=off(airspeed, flow.airspeed_uncertainty_m_s)),
        tare=dataclasses.replace(
            tare,
            body_thrust_n=off(tare.body_thrust_n, tare.body_thrust_uncertainty_n),
            # The same balance reads the wing held still: its gain and zero are as wrong there.
            still_thrust_n=off(
                still * (1.0 + thrust[0]) + thrust[1], tare.still_thrust_uncertainty_n
            ),
            held_drag_n=off(held, tare.held_drag_uncertainty_n),
        ),
        drive=dataclasses.replace(
            drive,
            gear_efficiency=off(drive.gear_efficiency, drive.gear_efficiency_uncertainty),
            mechanism_loss_w=off(mean["shaft_power_w"] - air, drive.mechanism_loss_uncertainty_w),
            motor=RigMotor(
                resistance_ohm=motor.resistance_ohm,
                torque_constant_n_m_a=off(
                    motor.torque_constant_n_m_a, motor.torque_constant_uncertainty_n_m_a
                ),
                no_load_current_a=off(motor.no_load_current_a, motor.no_load_current_uncertainty_a),
                torque_constant_uncertainty_n_m_a=motor.torque_constant_uncertainty_n_m_a,
                no_load_current_uncertainty_a=motor.no_load_current_uncertainty_a,
            ),
        ),
    )


def with_position(rig: Rig, **position: Any) -> Rig:
    """Return the rig with another sensor of the crank."""
    kept = {"kind": "counts", "column": "count"}
    from flapsim.rig.channels import Position

    return dataclasses.replace(rig, position=Position(**(kept | position)))
