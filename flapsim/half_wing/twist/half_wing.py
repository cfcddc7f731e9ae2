"""A half wing with the twist it takes: the one way from a case to what the strip kernel solves."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from flapsim.case.columns import Cases
from flapsim.half_wing.pack import Design, pack
from flapsim.half_wing.twist.balance import Balance, balance
from flapsim.half_wing.twist.compliance import ROOT, TIP, Compliance, Side, compliances

Array = NDArray[np.float64]


class HalfWing(NamedTuple):
    """Half wings of B designs, moving as command, actuator, spring, mass and air make them.

    Attributes
    ----------
    design : Design
        Ready for the kernel, its twist found.
    command, position : ndarray, shape (2, 2 H + 1, B)
        Twist from root to tip of the inner and the outer segment, rad: what is asked for, and
        where the actuator stands (or the spring rests).
    parts : tuple of Compliance
        Segments that give way.
    balance : Balance or None
        How their twist was found; None if nothing gives way.
    side : {"starboard", "port"}
        Which half.
    """

    design: Design
    command: Array
    position: Array
    parts: tuple[Compliance, ...]
    balance: Balance | None
    side: Side

    @property
    def found(self) -> NDArray[np.bool_]:
        """Whether the periodic twist of each design was found, shape (B,)."""
        if self.balance is None:
            return np.ones(self.design.batch.constant.shape[1], dtype=bool)
        return self.balance.converged

    @property
    def twist(self) -> Array:
        """Twist from root to tip that each segment takes, rad, shape (2, 2 H + 1, B)."""
        return _from_root_to_tip(self.design.batch.schedule)


def half_wing(case: Cases, side: Side = "starboard", patient: bool = True) -> HalfWing:
    """Half wings of a case, or of many designs, with the twist they take.

    Parameters
    ----------
    side : {"starboard", "port"}
        Which half; the port half is computed as if it were a starboard one, that is, mirrored.
    patient : bool
        As for `flapsim.half_wing.twist.balance.balance`.

    Raises
    ------
    CaseError
        If a file the case names, a linkage or a schedule's truncation is at fault.
    """
    design = pack(case, side)
    command = _from_root_to_tip(design.batch.schedule)
    batch, parts = compliances(case, design.batch, side)
    position = _from_root_to_tip(batch.schedule)
    found = balance(case, batch, parts, side, patient) if parts else None
    moving = batch if found is None else found.batch
    return HalfWing(design._replace(batch=moving), command, position, tuple(parts), found, side)


def _from_root_to_tip(schedule: Array) -> Array:
    return np.stack([schedule[tip] - schedule[root] for tip, root in zip(TIP, ROOT, strict=True)])
