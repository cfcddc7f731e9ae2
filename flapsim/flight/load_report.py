"""Analysis of a structure: loads along the wing, spars that carry them, crank forces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flapsim.cycle.simulate import Cycle
from flapsim.flight.loads import CrankForces, SpanLoads, crank_forces, span_loads
from flapsim.flight.spar import (
    CARBON,
    Material,
    SparState,
    Tube,
    least_tube,
    spar_notes,
    spar_states,
)


@dataclass(frozen=True)
class LoadReport:
    """Loads of the starboard wing of a cycle and what they do to its spars.

    Attributes
    ----------
    states : tuple of SparState
        One per segment.
    notes : tuple of str
        Warnings.
    """

    cycle: Cycle
    loads: SpanLoads
    states: tuple[SparState, ...]
    crank: CrankForces
    notes: tuple[str, ...]

    @property
    def cuts(self) -> dict[str, int]:
        """Index of shoulder and wrist among the cuts."""
        out = {"shoulder": 0}
        if self.loads.wrist is not None:
            out["wrist"] = int((self.loads.segment == 0).sum())
        return out


def load_report(
    cycle: Cycle,
    tubes: Sequence[Tube] | None = None,
    material: Material = CARBON,
    crank: float | None = None,
    rocker: float | None = None,
) -> LoadReport:
    """Loads of a cycle, with the tubes given, one a segment, or the lightest that carry them.

    Crank and rocker lengths in m; those of the linkage if there is one.
    """
    wing = cycle.case.wing
    segments = [segment for segment in (wing.inner, wing.outer) if segment is not None]
    loads = span_loads(cycle)
    if tubes is None:
        tubes = [least_tube(loads, index, material) for index in range(len(segments))]
    states = tuple(spar_states(loads, tubes))
    given = [segment.spar_kg_m for segment in segments]
    notes = tuple(spar_notes(loads, states, float(loads.span_position[-1]), given))
    if cycle.case.stroke.port is not None:
        notes += ("These are the loads of the starboard wing; the port wing moves differently.",)
    return LoadReport(cycle, loads, states, crank_forces(cycle, loads, crank, rocker), notes)
