"""A case as the numbers the strip kernel takes: one place where the first becomes the second."""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.aero.induced import deficit_filter, lifting_line_operators
from flapsim.aero.polar import GRID_DEG, SectionTable, polar_table, revolving_plate_table
from flapsim.aero.section import (
    FRICTION_LAMINAR,
    FRICTION_NUMBER,
    FRICTION_TURBULENT,
    PLATE_NORMAL_TO_STREAM,
    TABLE,
    THIN_AIRFOIL,
    THIN_PLATE,
    plate_drag_coefficient,
)
from flapsim.aero.wake import JONES, lag_constants
from flapsim.blade_element import Batch
from flapsim.blade_element import layout as rows
from flapsim.case import Case, Section
from flapsim.case_tables import read_polar
from flapsim.kinematics import stroke_schedules
from flapsim.wing import Strips, strips

Array = NDArray[np.float64]

_INDUCED = {
    "none": rows.INDUCED_NONE,
    "slope": rows.INDUCED_SLOPE,
    "lifting-line": rows.INDUCED_LIFTING_LINE,
}
_LAWS = {
    "thin-airfoil": THIN_AIRFOIL,
    "thin-plate": THIN_PLATE,
    "polar": TABLE,
    "revolving-plate": TABLE,
}
_FRICTIONS = {"laminar": FRICTION_LAMINAR, "turbulent": FRICTION_TURBULENT}


class Design(NamedTuple):
    """A half wing ready for the kernel, with what was lost on the way.

    Attributes
    ----------
    batch : Batch
        One design.
    strips : Strips
        Its strips.
    truncation : float
        Largest error of a schedule's Fourier series, relative to its half range.
    """

    batch: Batch
    strips: Strips
    truncation: float


def pack(case: Case, side: Literal["starboard", "port"] = "starboard") -> Design:
    """Turn a case into a batch of one half wing.

    Parameters
    ----------
    case : Case
        The case.
    side : {"starboard", "port"}
        Which half; the port half is computed as if it were a starboard one, that is, mirrored.

    Returns
    -------
    Design

    Raises
    ------
    CaseError
        If a file the case names, a linkage or a schedule's truncation is at fault.
    """
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    schedules, truncation = stroke_schedules(case.stroke, side, case.folder, case.name)
    return Design(pack_schedules(case, wing, schedules), wing, truncation)


def pack_schedules(case: Case, wing: Strips, schedules: Array, steps: int | None = None) -> Batch:
    """Turn a case into a batch of one half wing that moves by given schedules.

    Parameters
    ----------
    case : Case
        The case.
    wing : Strips
        Its strips.
    schedules : ndarray, shape (8, 2 H + 1)
        Fourier coefficients, rad and m.
    steps : int, optional
        Steps per stroke; the case's own by default.

    Returns
    -------
    Batch
    """
    ratio = wing.aspect_ratio
    sections = [case.wing.inner.section or case.wing.section]
    if case.wing.outer is not None:
        sections.append(case.wing.outer.section or case.wing.section)
    plate_drag = (
        PLATE_NORMAL_TO_STREAM if case.model.induced == "none" else plate_drag_coefficient(ratio)
    )
    tables = _Tables(case, plate_drag)
    ranges = [tables.add(section) for section in sections]
    of = wing.segment
    coupled = case.model.induced == "lifting-line"
    count = case.model.modes if coupled else 0
    fit, downwash = np.empty((0, of.size)), np.empty((of.size, 0))
    if coupled:
        fit, downwash = lifting_line_operators(
            wing.span_position, wing.chord, wing.width, wing.semispan, count
        )
    poles = 0
    if case.model.wake == "indicial":
        poles = 1 if case.model.wake_lag == "finite-wing" else len(JONES)
    return Batch(
        constant=_constants(case, wing)[:, None],
        parameter=_parameters(wing, sections, plate_drag)[:, :, None],
        schedule=np.ascontiguousarray(schedules)[:, :, None],
        segment=of,
        law=np.array([_LAWS[s.law] for s in sections], dtype=np.int64)[of],
        friction=np.array([_friction_kind(s) for s in sections], dtype=np.int64)[of],
        fit=fit[:, :, None],
        downwash=downwash[:, :, None],
        damping=deficit_filter(count),
        tables=tables.values(),
        log_reynolds=tables.log_reynolds(),
        table_range=np.array(ranges, dtype=np.int64)[of],
        induced=_INDUCED[case.model.induced],
        poles=poles,
        lagged_stall=case.model.stall == "lagged",
        apparent_mass=case.model.apparent_mass,
        steps=case.model.steps if steps is None else steps,
    )


def _constants(case: Case, wing: Strips) -> Array:
    out = np.zeros(rows.CONST_ROWS)
    tilt = math.radians(case.stroke.plane_deg)
    out[rows.CONST_DENSITY] = case.air.density
    out[rows.CONST_VISCOSITY] = case.air.kinematic_viscosity
    out[rows.CONST_AIRSPEED] = case.flight.airspeed_m_s
    out[rows.CONST_AIR_ANGLE] = math.radians(case.flight.pitch_deg) + tilt
    out[rows.CONST_TILT] = tilt
    out[rows.CONST_FREQUENCY] = case.stroke.frequency_hz
    out[rows.CONST_SHOULDER] = case.craft.shoulder_offset_m
    out[rows.CONST_INNER_LENGTH] = wing.inner_length
    out[rows.CONST_SEMISPAN] = wing.semispan
    out[rows.CONST_AREA] = wing.area
    out[rows.CONST_ASPECT_RATIO] = wing.aspect_ratio
    out[rows.CONST_TWIST_AXIS] = case.wing.twist_axis
    lag = lag_constants(case.model.wake_lag, wing.aspect_ratio)
    out[rows.CONST_LAG_AMPLITUDE_1 : rows.CONST_LAG_RATE_2 + 1] = lag
    return out


def _parameters(wing: Strips, sections: list[Section], plate_drag: float) -> Array:
    out = np.zeros((wing.segment.size, rows.PAR_ROWS))
    out[:, rows.PAR_DISTANCE] = wing.distance
    out[:, rows.PAR_FRACTION] = wing.fraction
    out[:, rows.PAR_WIDTH] = wing.width
    out[:, rows.PAR_CHORD] = wing.chord
    out[:, rows.PAR_SKIN] = wing.skin
    out[:, rows.PAR_SPAR] = wing.spar
    out[:, rows.PAR_PLATE_DRAG] = plate_drag
    for index, section in enumerate(sections):
        here = wing.segment == index
        half = 0.5 * section.stall_width_deg
        onset = math.sin(math.radians(section.stall_deg - half))
        full = math.sin(math.radians(section.stall_deg + half))
        camber = 0.0 if _LAWS[section.law] == TABLE else -math.radians(section.zero_lift_deg)
        out[here, rows.PAR_CAMBER] = camber
        out[here, rows.PAR_SUCTION] = section.suction
        out[here, rows.PAR_ONSET] = onset
        out[here, rows.PAR_INVERSE_RANGE] = 1.0 / (full - onset)
        out[here, rows.PAR_FRICTION] = section.friction_factor * (
            1.0 if isinstance(section.friction, str) else section.friction
        )
    return out


def _friction_kind(section: Section) -> int:
    if isinstance(section.friction, str):
        return _FRICTIONS[section.friction]
    return FRICTION_NUMBER


class _Tables:
    """Section tables of a case, one after another."""

    def __init__(self, case: Case, plate_drag: float) -> None:
        self._case = case
        self._plate_drag = plate_drag
        self._tables: list[SectionTable] = []
        self._known: dict[str, tuple[int, int]] = {}

    def add(self, section: Section) -> tuple[int, int]:
        """First table of a section and how many it has; (0, 0) for laws without."""
        if _LAWS[section.law] != TABLE:
            return 0, 0
        name = section.file or section.law
        if name not in self._known:
            if section.law == "polar":
                polar = read_polar(self._case.folder / name)
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
        if not self._tables:
            return np.zeros((0, 5, GRID_DEG.size))
        return np.concatenate([t.values for t in self._tables])

    def log_reynolds(self) -> Array:
        if not self._tables:
            return np.zeros(0)
        return np.concatenate([t.log_reynolds for t in self._tables])
