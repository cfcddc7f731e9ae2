"""What the user writes: one craft, one stroke, one flight state."""

from flapsim.case.case import Case, parse_case, read_case
from flapsim.case.craft import (
    Air,
    BalanceSpring,
    Battery,
    Craft,
    Drive,
    Flight,
    Model,
    Motor,
    Section,
    Segment,
    Tail,
    Wing,
)  # fmt: skip
from flapsim.case.stroke import Heave, Port, Schedule, SegmentStroke, Stroke, Twist

__all__ = [
    "Air", "BalanceSpring", "Battery", "Case", "Craft", "Drive", "Flight", "Heave", "Model",
    "Motor", "Port", "Schedule", "Section", "Segment", "SegmentStroke", "Stroke", "Tail", "Twist",
    "Wing", "parse_case", "read_case",
]  # fmt: skip
