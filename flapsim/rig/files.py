"""A reduced log on disk: HDF5 that is also valid netCDF-4, and its averaged stroke read back.

Names are those of the JSON document and of computed cycles: ``mean.lift_n``, ``series.lift_n`` on
``phase``; a measurement adds ``uncertainty.*``, ``low.*`` and ``high.*``, ``series_low.*`` and
``series_high.*``, and ``strokes.*`` on ``stroke``.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from flapsim.cycle.files import SCHEMA_VERSION, ResultError, describe, written_aside
from flapsim.quantities import MEASURED, MEASURED_SERIES, RIG_AXES, Quantity
from flapsim.rig.compare import Comparison
from flapsim.rig.reduction import WAVES, Reduction, Wave
from flapsim.version import installed_version


@dataclass(frozen=True, slots=True)
class MeasuredStroke:
    """The averaged stroke of a log, as drawn in a figure and stored in a result file.

    Attributes
    ----------
    log : str
        Name of the log.
    count : int
        Strokes that were averaged.
    phase : (bins,) array
        rad.
    waves : dict of str to Wave
        By the names of `MEASURED_SERIES`.
    case : str
        Name of the case that it is compared with; empty if none.
    predicted : dict of str to (bins,) array
        Predicted by that case.
    """

    log: str
    count: int
    phase: NDArray[np.float64]
    waves: dict[str, Wave]
    case: str = ""
    predicted: dict[str, NDArray[np.float64]] = field(default_factory=dict)


def measured_stroke(reduction: Reduction, comparison: Comparison | None = None) -> MeasuredStroke:
    """Return the averaged stroke of a reduction, with what a case predicts beside it."""
    log, count = reduction.name, reduction.bench.strokes.count
    if comparison is None:
        return MeasuredStroke(log, count, reduction.phase, reduction.waves)
    predicted = {name: one.predicted for name, one in comparison.quantities.items()}
    case = comparison.case.name
    return MeasuredStroke(log, count, reduction.phase, reduction.waves, case, predicted)


def read_reduction(path: str | Path) -> MeasuredStroke:
    """Read the averaged stroke from a file of `write_reduction`.

    Raises
    ------
    ResultError
        If the file is incomplete or of another schema.
    """
    source = Path(path)
    try:
        with h5py.File(source, "r") as file:
            if (schema := int(file.attrs["schema_version"])) != SCHEMA_VERSION:
                raise ResultError(
                    f"{source}: expected schema {SCHEMA_VERSION}, found {schema}; reduce the log"
                    " again"
                )
            waves = {
                name: Wave(*(file[f"{part}.{name}"][:] for part in _PARTS))
                for name in MEASURED_SERIES
                if f"series.{name}" in file
            }
            predicted = {
                name: file[f"predicted.{name}"][:] for name in waves if f"predicted.{name}" in file
            }
            return MeasuredStroke(
                str(file.attrs["log"]),
                int(np.sum(file["strokes.accepted"][:])),
                file["phase"][:],
                waves,
                str(file.attrs.get("case", "")),
                predicted,
            )
    except (OSError, KeyError) as error:
        raise ResultError(f"{source}: expected a complete result of flapsim reduce") from error


_PARTS = ("series", "series_low", "series_high")


def write_reduction(
    reduction: Reduction, path: str | Path, comparison: Comparison | None = None
) -> None:
    """Write a reduced log; paths and errors as for `flapsim.write_cycle`.

    A `comparison` adds ``predicted.*`` on ``phase``, and residuals by harmonic as JSON in
    ``against``.
    """
    with written_aside(Path(path)) as aside, h5py.File(aside, "w", track_order=True) as file:
        file.attrs.update(_attributes(reduction))
        if comparison is not None:
            file.attrs["case"] = comparison.case.name
            file.attrs["case_text"] = comparison.case.text
            file.attrs["against"] = json.dumps(comparison.to_dict())
        axes = {
            "phase": (reduction.phase, RIG_AXES["rig_phase"]),
            "stroke": (np.arange(reduction.strokes.count), RIG_AXES["stroke"]),
        }
        for name, (values, quantity) in axes.items():
            describe(file.create_dataset(name, data=values), quantity)
            file[name].make_scale(name)
        for name, (axis, values, quantity) in _variables(reduction, comparison).items():
            describe(file.create_dataset(name, data=values), quantity)
            if axis:
                file[name].dims[0].attach_scale(file[axis])


def _attributes(reduction: Reduction) -> dict[str, Any]:
    document = reduction.to_dict()
    return {
        "schema_version": SCHEMA_VERSION,
        "flapsim_version": installed_version(),
        "kind": "reduction",
        "title": reduction.rig.title,
        "log": reduction.name,
        "created": datetime.now(UTC).isoformat(timespec="seconds"),
        "rig_text": reduction.rig.text,
        "notes": "\n".join(reduction.notes),
        "counts": json.dumps(reduction.counts),
        "rejected": json.dumps(document["strokes"]["rejected"]),
        "budget": json.dumps(document["budget"]),
    }


def _variables(
    reduction: Reduction, comparison: Comparison | None
) -> dict[str, tuple[str, Any, Quantity]]:
    """Name -> (dimension, values, quantity)."""
    out: dict[str, tuple[str, Any, Quantity]] = {}
    for name, found in reduction.account.estimates.items():
        quantity = MEASURED[name]
        out[f"mean.{name}"] = ("", found.value, quantity)
        parts = (
            ("uncertainty", found.uncertainty, "standard uncertainty"),
            ("low", found.low, "lower end of the 95 % interval"),
            ("high", found.high, "upper end of the 95 % interval"),
        )
        for group, value, words in parts:
            described = Quantity(quantity.unit, f"{quantity.long_name}: {words}")
            out[f"{group}.{name}"] = ("", value, described)
    for name, wave in reduction.waves.items():
        out[f"series.{name}"] = ("phase", wave.value, MEASURED_SERIES[name])
        out[f"series_low.{name}"] = ("phase", wave.low, MEASURED_SERIES[name])
        out[f"series_high.{name}"] = ("phase", wave.high, MEASURED_SERIES[name])
    if comparison is not None:
        for name, residuals in comparison.quantities.items():
            out[f"predicted.{name}"] = ("phase", residuals.predicted, MEASURED_SERIES[name])
    strokes = reduction.strokes
    out["strokes.start"] = ("stroke", strokes.start, RIG_AXES["start"])
    out["strokes.period"] = ("stroke", strokes.period, RIG_AXES["period"])
    accepted = (strokes.reasons == "").astype(np.int8)
    out["strokes.accepted"] = ("stroke", accepted, RIG_AXES["accepted"])
    for name, values in strokes.means.items():
        if name in WAVES:
            out[f"strokes.{WAVES[name]}"] = ("stroke", values, MEASURED_SERIES[WAVES[name]])
    return out
