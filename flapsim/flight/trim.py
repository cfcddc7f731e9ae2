"""Trim: the state in which a craft holds level flight or climbs, or why it cannot."""

from __future__ import annotations

from flapsim.flight.search import TrimColumns, TrimStatus, trim_many

__all__ = ["TrimColumns", "TrimStatus", "trim_many"]
