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
    """Half wings of B designs, moving as command, actuator, spring, mass and air make them."""

    design: Design  # Ready for the kernel, its twist found
    # command, position, (2, 2 H + 1, B): twist from root to tip of the inner and the outer segment,
    # rad: commanded, and of the actuator (or the spring at rest)
    command: Array
    position: Array
    parts: tuple[Compliance, ...]  # Compliant segments
    balance: Balance | None  # None if no segment is compliant
    side: Side  # Which half

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


def half_wing(case: Cases, side: Side = "starboard", continuation: bool = True) -> HalfWing:
    """Half wings of one or many designs with their periodic twist; see `pack` and `balance`."""
    design = pack(case, side)
    command = _from_root_to_tip(design.batch.schedule)
    batch, parts = compliances(case, design.batch, side)
    position = _from_root_to_tip(batch.schedule)
    solved = balance(case, batch, parts, side, continuation) if parts else None
    moving = batch if solved is None else solved.batch
    return HalfWing(design._replace(batch=moving), command, position, tuple(parts), solved, side)


def _from_root_to_tip(schedule: Array) -> Array:
    return np.stack([schedule[tip] - schedule[root] for tip, root in zip(TIP, ROOT, strict=True)])
