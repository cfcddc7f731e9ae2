"""Definitions of everything that is reported: meaning, unit, formula, source, better direction.

Answers: what does a name in a table, a JSON document, an HDF5 file or a figure stand for? Keys of
a case are defined where they are read, in `flapsim.case`; their units come from here too.
"""

from flapsim.quantities.cycle import AXES, DRIVE
from flapsim.quantities.definition import Better, Quantity, finite_or_none
from flapsim.quantities.flight import CURVE, HAZARDS, PROPORTIONS, SPAN_LOADS
from flapsim.quantities.glossary import GLOSSARY
from flapsim.quantities.lookup import GROUPS, QUANTITIES, find_quantity, quantity_of
from flapsim.quantities.rig import MEASURED, MEASURED_SERIES, RIG_AXES
from flapsim.quantities.units import printed, unit_of, without_unit

__all__ = [
    "AXES", "CURVE", "DRIVE", "GLOSSARY", "GROUPS", "HAZARDS", "MEASURED", "MEASURED_SERIES",
    "PROPORTIONS", "QUANTITIES", "RIG_AXES", "SPAN_LOADS", "Better", "Quantity", "find_quantity",
    "finite_or_none", "printed", "quantity_of", "unit_of", "without_unit",
]  # fmt: skip
