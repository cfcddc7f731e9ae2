"""Trims and power curves as HDF5 that is valid netCDF-4."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from flapsim.cycle.files import SCHEMA_VERSION, describe, write_cycle, written_aside
from flapsim.drive.limits import LIMITS
from flapsim.flight.curve_points import AVAILABLE, STROKE
from flapsim.flight.drive_power import refusal_of_drive
from flapsim.flight.power_curve import PowerCurve
from flapsim.flight.search import TrimStatus
from flapsim.flight.trim import Trim
from flapsim.quantities import quantity_of
from flapsim.version import installed_version

_LIMITS = (STROKE, AVAILABLE, *LIMITS.values())


def write_trim(trim: Trim, path: str | Path) -> None:
    """Write a trimmed cycle as `flapsim.write_cycle` does, with verdict, drive and hazard note."""
    target = Path(path)
    attributes: dict[str, Any] = {"verdict": trim.verdict, "trim.hold": " ".join(trim.hold)}
    attributes |= {f"trim.solution.{key}": value for key, value in trim.solution.items()}
    attributes |= {f"trim.residual.{name}": value for name, value in trim.residual.items()}
    attributes |= {f"trim.watts.{name}": value for name, value in trim.watts.items()}
    attributes["trim.drive_refusal"] = refusal_of_drive(trim.cycle)
    attributes |= dict(trim.hazard.attributes())
    with written_aside(target) as aside:
        write_cycle(trim.cycle, aside)
        with h5py.File(aside, "r+") as file:
            file.attrs.update(attributes)


def write_power_curve(curve: PowerCurve, path: str | Path) -> None:
    """Write a power curve on its own axis; paths and errors as for `flapsim.write_cycle`.

    The dimension is named by the swept key path. Named points are attributes, such as
    ``points.best_range.value``.
    """
    target = Path(path)
    with written_aside(target) as aside, h5py.File(aside, "w", track_order=True) as file:
        file.attrs.update(_attributes(curve))
        axis = file.create_dataset(curve.key, data=curve.values)
        describe(axis, quantity_of(curve.key))
        axis.make_scale(curve.key)
        for name, values in _variables(curve).items():
            dataset = file.create_dataset(name, data=values)
            describe(dataset, quantity_of(name))
            dataset.dims[0].attach_scale(axis)


def _attributes(curve: PowerCurve) -> dict[str, Any]:
    out: dict[str, Any] = {
        "schema_version": SCHEMA_VERSION,
        "flapsim_version": installed_version(),
        "kind": "power curve",
        "title": curve.case.title,
        "created": datetime.now(UTC).isoformat(timespec="seconds"),
        "case_text": curve.case.text,
        "free": " ".join(curve.trimmed.free),
        "hold": " ".join(curve.trimmed.hold),
        "power_kind": curve.power_kind,
        "available_w": curve.available_w,
        "notes": "\n".join(curve.notes),
        "limits": "; ".join(_LIMITS),
        "status_meanings": " ".join(status.name.lower() for status in TrimStatus),
    }
    for name, point in curve.points.items():
        out[f"points.{name}.value"] = point.value
        out[f"points.{name}.power_w"] = point.power_w
        out[f"points.{name}.limit"] = point.limit
    return out


def _variables(curve: PowerCurve) -> Mapping[str, np.ndarray[Any, Any]]:
    trimmed = curve.trimmed
    out: dict[str, np.ndarray[Any, Any]] = {"status": trimmed.status}
    out |= {f"solution.{key}": values for key, values in trimmed.solution.items()}
    out |= {f"residual.{name}": values for name, values in trimmed.residual.items()}
    out |= trimmed.results
    # What a refused point's nearest state would take is no point of the curve.
    out |= {f"mean.{name}": values for name, values in curve.watts.items()}
    out |= {
        "used": curve.used,
        "limit": _codes(curve.limit),
        "climb_deg": curve.climb_deg,
        "climb_rate_m_s": curve.climb_rate_m_s,
        "climb_limit": _codes(curve.climb_limit),
        "endurance_s": curve.endurance_s,
        "range_m": curve.range_m,
    }
    return out


def _codes(limits: Sequence[str]) -> NDArray[np.int8]:
    return np.array([_LIMITS.index(name) if name else -1 for name in limits], dtype=np.int8)
