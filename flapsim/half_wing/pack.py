"""A case as the numbers the strip kernel takes: one place where the first becomes the second."""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from flapsim.case import Section
from flapsim.case.columns import Cases, Designs
from flapsim.case.tables import read_polar
from flapsim.constants import STANDARD_GRAVITY
from flapsim.half_wing.induced import deficit_filter, lifting_line_operators
from flapsim.half_wing.polar import GRID_DEG, SectionTable, polar_table, revolving_plate_table
from flapsim.half_wing.wake import JONES, lag_constants
from flapsim.kernel import Batch
from flapsim.kernel import layout as at
from flapsim.kernel.section import (
    FRICTION_LAMINAR,
    FRICTION_NUMBER,
    FRICTION_TURBULENT,
    PLATE_NORMAL_TO_STREAM,
    TABLE,
    THIN_AIRFOIL,
    THIN_PLATE,
    plate_drag_coefficient,
)
from flapsim.wing.strips import Strips, strips
from flapsim.wing.stroke import stroke_schedules

Array = NDArray[np.float64]

_INDUCED = {
    "none": at.INDUCED_NONE,
    "slope": at.INDUCED_SLOPE,
    "lifting-line": at.INDUCED_LIFTING_LINE,
}
_LAWS = {
    "thin-airfoil": THIN_AIRFOIL,
    "thin-plate": THIN_PLATE,
    "polar": TABLE,
    "revolving-plate": TABLE,
}
_FRICTIONS = {"laminar": FRICTION_LAMINAR, "turbulent": FRICTION_TURBULENT}


class Design(NamedTuple):
    """Half wings ready for the kernel, with what was lost on the way."""

    batch: Batch  # The designs
    strips: Strips  # Their strips
    # (B,): largest error of a schedule's Fourier series, relative to its half range
    truncation: Array


def pack(cases: Cases, side: Literal["starboard", "port"] = "starboard") -> Design:
    """Turn a case, or many designs, into a batch of half wings.

    The port half is computed mirrored, as a starboard one. Designs of one batch share their section
    tables, see `sharing_tables`. Raises CaseError if a file, a linkage or a schedule's truncation
    is at fault.
    """
    case = Designs.of(cases)
    shared, lanes = case.case, case.lanes
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    schedules, truncation = stroke_schedules(case.stroke, side, shared.folder, shared.name)
    sections = _sections(case)
    plate_drag = _plate_drag(case, wing)
    tables = _Tables(case, float(np.ravel(plate_drag)[0]))
    ranges = [tables.add(section) for section in sections]
    of = wing.segment
    coupled = case.model.induced == "lifting-line"
    count = shared.modes if coupled else 0
    fit, downwash = np.empty((0, of.size)), np.empty((of.size, 0))
    if coupled:
        fit, downwash = lifting_line_operators(
            wing.span_position, wing.chord, wing.width, wing.semispan, count
        )
    poles = 0
    if case.model.wake == "indicial":
        poles = 1 if case.model.wake_lag == "finite-wing" else len(JONES)
    batch = Batch(
        constant=_in_lanes(_constants(case, wing), lanes, 1),
        parameter=_in_lanes(_parameters(wing, sections, plate_drag, lanes), lanes, 2),
        schedule=_in_lanes(schedules, lanes, 2),
        segment=of,
        law=np.array([_LAWS[s.law] for s in sections], dtype=np.int64)[of],
        friction=np.array([_friction_kind(s) for s in sections], dtype=np.int64)[of],
        fit=_in_lanes(fit, lanes, 2),
        downwash=_in_lanes(downwash, lanes, 2),
        damping=deficit_filter(count),
        tables=tables.values(),
        log_reynolds=tables.log_reynolds(),
        table_range=np.array(ranges, dtype=np.int64)[of],
        induced=_INDUCED[case.model.induced],
        poles=poles,
        lagged_stall=case.model.stall == "lagged",
        apparent_mass=case.model.apparent_mass,
        steps=case.model.steps,
    )
    return Design(batch, wing, np.broadcast_to(truncation, (lanes,)))


def sharing_tables(designs: Designs) -> list[NDArray[np.int64]]:
    """Places of the designs of each batch that may share section tables.

    It is one batch, unless a polar is continued beyond its range by the drag of plates of several
    aspect ratios.
    """
    every = [np.arange(designs.count)]
    if all(section.law != "polar" for section in _sections(designs)):
        return every
    drag = _plate_drag(designs, strips(designs.wing, designs.craft.shoulder_offset_m))
    if np.ndim(drag) == 0:
        return every
    kinds, kind = np.unique(drag, return_inverse=True)
    return [np.flatnonzero(kind == number) for number in range(kinds.size)]


def _sections(case: Designs) -> list[Section]:
    """Section of each segment."""
    segments = (case.wing.inner, case.wing.outer)
    return [part.section or case.wing.section for part in segments if part is not None]


def _plate_drag(case: Designs, wing: Strips) -> ArrayLike:
    """Drag coefficient, normal to the stream, of the wing as a plate."""
    if case.model.induced == "none":
        return PLATE_NORMAL_TO_STREAM
    return plate_drag_coefficient(wing.aspect_ratio)


def _in_lanes(values: Array, lanes: int, axes: int) -> Array:
    """Give an array of ``axes`` axes one more, of the designs, unless it has it already."""
    if values.ndim == axes:
        values = values[..., None]
    return np.ascontiguousarray(np.broadcast_to(values, (*values.shape[:-1], lanes)))


def _constants(case: Designs, wing: Strips) -> Array:
    tilt = np.radians(case.stroke.plane_deg)
    written: dict[int, ArrayLike] = {
        at.CONST_DENSITY: case.air.density,
        at.CONST_VISCOSITY: case.air.kinematic_viscosity,
        at.CONST_AIRSPEED: case.flight.airspeed_m_s,
        at.CONST_AIR_ANGLE: np.radians(case.flight.pitch_deg) + tilt,
        at.CONST_TILT: tilt,
        at.CONST_CLIMB: np.radians(case.flight.climb_deg),
        at.CONST_FREQUENCY: case.stroke.frequency_hz,
        at.CONST_SHOULDER: case.craft.shoulder_offset_m,
        at.CONST_INNER_LENGTH: wing.inner_length,
        at.CONST_OUTER_LENGTH: 0.0 if case.wing.outer is None else case.wing.outer.length_m,
        at.CONST_SEMISPAN: wing.semispan,
        at.CONST_AREA: wing.area,
        at.CONST_ASPECT_RATIO: wing.aspect_ratio,
        at.CONST_TWIST_AXIS: case.wing.twist_axis,
        at.CONST_GRAVITY: STANDARD_GRAVITY,
    }
    lag = lag_constants(case.model.wake_lag, wing.aspect_ratio)
    written |= {at.CONST_LAG_AMPLITUDE_1 + i: lag[i] for i in range(len(lag))}
    shape = np.broadcast_shapes(*(np.shape(value) for value in written.values()))
    out = np.zeros((at.CONST_ROWS, *shape))
    for row, value in written.items():
        out[row] = value
    return out


def _parameters(wing: Strips, sections: list[Section], plate_drag: ArrayLike, lanes: int) -> Array:
    out = np.zeros((wing.segment.size, at.PAR_ROWS, lanes))
    along = {
        at.PAR_DISTANCE: wing.distance,
        at.PAR_FRACTION: wing.fraction,
        at.PAR_WIDTH: wing.width,
        at.PAR_CHORD: wing.chord,
        at.PAR_SKIN: wing.skin,
        at.PAR_SPAR: wing.spar,
    }
    for row, values in along.items():
        out[:, row] = values if values.ndim == 2 else values[:, None]
    out[:, at.PAR_PLATE_DRAG] = plate_drag
    for index, section in enumerate(sections):
        here = wing.segment == index
        half = 0.5 * np.asarray(section.stall_width_deg)
        onset = np.sin(np.radians(section.stall_deg - half))
        full = np.sin(np.radians(section.stall_deg + half))
        table = _LAWS[section.law] == TABLE
        out[here, at.PAR_CAMBER] = 0.0 if table else -np.radians(section.zero_lift_deg)
        out[here, at.PAR_SUCTION] = section.suction
        out[here, at.PAR_ONSET] = onset
        out[here, at.PAR_INVERSE_RANGE] = 1.0 / (full - onset)
        out[here, at.PAR_FRICTION] = section.friction_factor * (
            1.0 if isinstance(section.friction, str) else section.friction
        )
    return out


def _friction_kind(section: Section) -> int:
    if isinstance(section.friction, str):
        return _FRICTIONS[section.friction]
    return FRICTION_NUMBER


class _Tables:
    """Section tables of a case, one after another."""

    def __init__(self, case: Designs, plate_drag: float) -> None:
        self._case = case
        self._plate_drag = plate_drag
        nothing = SectionTable(np.zeros(0), np.zeros((0, at.TABLE_COLUMNS, GRID_DEG.size)))
        self._tables = [nothing]
        self._known: dict[str, tuple[int, int]] = {}

    def add(self, section: Section) -> tuple[int, int]:
        """First table of a section and how many it has; (0, 0) for laws without."""
        if _LAWS[section.law] != TABLE:
            return 0, 0
        name = section.file or section.law
        if name not in self._known:
            if section.law == "polar":
                polar = read_polar(self._case.case.folder / name)
                table = polar_table(
                    polar.alpha_deg,
                    polar.reynolds.tolist(),
                    polar.cl,
                    polar.cd,
                    polar.cm,
                    self._plate_drag,
                )
            else:
                table = revolving_plate_table()
            first = sum(len(t.log_reynolds) for t in self._tables)
            self._tables.append(table)
            self._known[name] = (first, len(table.log_reynolds))
        return self._known[name]

    def values(self) -> Array:
        return np.concatenate([t.values for t in self._tables])

    def log_reynolds(self) -> Array:
        return np.concatenate([t.log_reynolds for t in self._tables])
