"""Write a cycle as HDF5 that is also valid netCDF-4, and read it back.

Variables carry the names of the JSON document, dots included: ``mean.lift_n``,
``segments.inner.thrust_n``, ``series.aero_power_w`` on ``phase``, ``strips.incidence_deg`` on
``strip`` and ``phase``.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from flapsim.case import parse_case
from flapsim.cycle.simulate import Cycle
from flapsim.faults import CaseError
from flapsim.quantities import AXES, QUANTITIES, Quantity
from flapsim.version import installed_version

SCHEMA_VERSION = 2
"""Raised whenever a reader of the older layout would misread a file."""

_KIND = "cycle"


class ResultError(ValueError):
    """A result file cannot be read as a cycle, or cannot be written; the message says why."""


def write_cycle(cycle: Cycle, path: str | Path) -> None:
    """Write a cycle as HDF5 that is valid netCDF-4.

    The file appears under its name only when it is complete; an older one of that name is
    replaced in the same instant.

    Parameters
    ----------
    cycle : Cycle
        What `flapsim.simulate` returned.
    path : str or Path
        File to write; its folder must exist.

    Raises
    ------
    ResultError
        If the file cannot be written there.
    """
    target = Path(path)
    with written_aside(target) as aside, h5py.File(aside, "w", track_order=True) as file:
        file.attrs.update(_root_attributes(cycle))
        variables = _variables(cycle)
        file.attrs["variables"] = " ".join(variables)
        dimensions = {"phase": cycle.phase, "strip": np.arange(len(cycle.strips["chord_m"]))}
        if cycle.multipliers.size:
            dimensions["multiplier"] = np.arange(cycle.multipliers.size)
        for name, values in dimensions.items():
            describe(file.create_dataset(name, data=values), AXES[name])
            file[name].make_scale(name)
        for name, (axes, values) in variables.items():
            dataset = file.create_dataset(name, data=values)
            describe(dataset, (AXES | QUANTITIES)[name.rpartition(".")[2]])
            for axis, dimension in enumerate(axes):
                dataset.dims[axis].attach_scale(file[dimension])


def read_cycle(path: str | Path) -> Cycle:
    """Read back a cycle that :func:`write_cycle` wrote.

    Parameters
    ----------
    path : str or Path
        The result file. Files that its case names (polars, samples) are not needed.

    Returns
    -------
    Cycle
        Equal, number for number, to the one written.

    Raises
    ------
    ResultError
        If there is no such file, or it holds no cycle, or one of another schema.
    """
    source = Path(path)
    if not source.is_file():
        raise ResultError(f"{source}: no such file")
    try:
        with h5py.File(source, "r") as file:
            return _cycle_from(file, source.name)
    except (OSError, KeyError) as error:
        raise ResultError(
            f"{source}: not a complete result of 'flapsim run' ({_first_line(error)})"
        ) from error


def kind_of(path: str | Path) -> str:
    """Return what a result file says it is, such as ``"cycle"``; empty if it is no such file."""
    try:
        with h5py.File(path, "r") as file:
            return str(file.attrs.get("kind", ""))
    except OSError:
        return ""


def _root_attributes(cycle: Cycle) -> dict[str, Any]:
    return {
        "schema_version": SCHEMA_VERSION,
        "flapsim_version": installed_version(),
        "kind": _KIND,
        "title": cycle.case.title,
        "created": datetime.now(UTC).isoformat(timespec="seconds"),
        "case_text": cycle.case.text,
        "notes": "\n".join(cycle.notes),
    }


def _variables(cycle: Cycle) -> dict[str, tuple[tuple[str, ...], Any]]:
    """Name -> (dimensions, values) of everything but the coordinates."""
    variables: dict[str, tuple[tuple[str, ...], Any]] = {"time": (("phase",), cycle.time)}
    for group in ("mean", "peak", "check"):
        for name, number in getattr(cycle, group).items():
            variables[f"{group}.{name}"] = ((), number)
    for group in ("segments", "twist"):
        for segment, numbers in getattr(cycle, group).items():
            for name, number in numbers.items():
                variables[f"{group}.{segment}.{name}"] = ((), number)
    if cycle.multipliers.size:
        variables["multiplier_real"] = (("multiplier",), cycle.multipliers.real)
        variables["multiplier_imaginary"] = (("multiplier",), cycle.multipliers.imag)
    for name, values in cycle.series.items():
        variables[f"series.{name}"] = (("phase",), values)
    for name, values in cycle.strips.items():
        variables[f"strips.{name}"] = (("strip", "phase")[: values.ndim], values)
    return variables


def describe(dataset: h5py.Dataset, quantity: Quantity) -> None:
    """Write unit and meaning of a variable beside it."""
    dataset.attrs["units"] = quantity.unit
    dataset.attrs["long_name"] = quantity.long_name


def _cycle_from(file: h5py.File, name: str) -> Cycle:
    if file.attrs.get("kind") != _KIND:
        raise ResultError(f"{name}: not a result of 'flapsim run'")
    if (schema := int(file.attrs["schema_version"])) != SCHEMA_VERSION:
        raise ResultError(
            f"{name}: written in schema {schema}, this version reads {SCHEMA_VERSION}; "
            "run the case again"
        )
    try:
        case = parse_case(file.attrs["case_text"], name=name, check_files=False)
    except CaseError as error:
        raise ResultError(f"{name}: the case it holds cannot be read: {error}") from error
    groups: dict[str, dict[str, Any]] = {}
    # Variables that other tools added are ignored; removed ones raise KeyError.
    for key in ("phase", *file.attrs["variables"].split()):
        group, _, quantity = key.rpartition(".")
        value = file[key][()]
        groups.setdefault(group, {})[quantity] = value if value.shape else float(value)
    return Cycle(
        case=case,
        phase=groups[""]["phase"],
        time=groups[""]["time"],
        series=groups["series"],
        mean=groups["mean"],
        peak=groups["peak"],
        check=groups["check"],
        segments=_under("segments.", groups),
        twist=_under("twist.", groups),
        strips=groups["strips"],
        multipliers=groups[""].get("multiplier_real", np.zeros(0))
        + 1j * groups[""].get("multiplier_imaginary", np.zeros(0)),
        notes=tuple(filter(None, file.attrs["notes"].split("\n"))),
    )


def _under(prefix: str, groups: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Groups with a prefix, by the rest of their names."""
    return {
        name.removeprefix(prefix): numbers
        for name, numbers in groups.items()
        if name.startswith(prefix)
    }


@contextmanager
def written_aside(target: Path) -> Iterator[Path]:
    """Yield a file beside the target that takes its place when all went well, else vanishes.

    The folder must exist. Raises ResultError if a file cannot be written there.
    """
    aside: Path | None = None
    try:
        handle, name = tempfile.mkstemp(
            prefix=f".{target.name}.", suffix=".part", dir=target.parent
        )
        os.close(handle)
        aside = Path(name)
        yield aside
        aside.chmod(0o666 & ~_umask())
        aside.replace(target)
    except OSError as error:
        raise ResultError(f"{target}: cannot be written ({_first_line(error)})") from error
    finally:
        if aside is not None:
            aside.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _first_line(error: BaseException) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error).partition("\n")[0]
