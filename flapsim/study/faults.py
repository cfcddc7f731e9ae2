"""What stops a study, in words."""

from __future__ import annotations

__all__ = ["StudyError"]


class StudyError(Exception):
    """A study cannot go on; the message says why, and what to do."""
