"""Why the program stops: faults of the input, and questions that physics does not answer."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

MISSING_KEY: Final = "nothing"
UNKNOWN_KEY: Final = "an unknown key"


def did_you_mean(
    name: str,
    among: Iterable[str],
    likeness: float = 0.6,
    shown: Callable[[str], str] = str,
) -> str:
    """Hint at the name most like a misspelt one, as `shown` shows it; empty if none is like it.

    The least likeness that counts, 0..1, is as `difflib` measures it.
    """
    near = difflib.get_close_matches(name, list(among), n=1, cutoff=likeness)
    return f"did you mean {shown(near[0])}?" if near else ""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong in a file of the user.

    The key is a key path, or the line of a file without keys, or empty for the file as a whole.
    Where nothing is `given`, `allowed` is a whole sentence that says what is wrong and what to do.
    """

    file: str
    key: str
    given: str
    allowed: str
    hint: str = ""

    def __str__(self) -> str:
        where = f"{self.file}: {self.key}" if self.key else self.file
        end = f"; {self.hint}" if self.hint else ""
        if self.given == UNKNOWN_KEY:
            return f"{where}: no such key, expected {self.allowed}{end}"
        if self.given == MISSING_KEY:
            return f"{where}: missing, expected {self.allowed}{end}"
        found = f", found {self.given}" if self.given else ""
        expected = "expected " if self.given else ""
        return f"{where}: {expected}{self.allowed}{found}{end}"


class CaseError(ValueError):
    """A file of the user is at fault; :attr:`faults` has every fault, at least one.

    The message has one line per fault.
    """

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def __reduce__(self) -> tuple[type[CaseError], tuple[tuple[Fault, ...]]]:
        # Exceptions are rebuilt from their message by default; worker processes need the faults.
        return type(self), (self.faults,)


@dataclass(slots=True)
class Faults:
    """The faults of one file, gathered while it is read.

    The files that it names are looked for in `folder`, or left unread for None; `known` holds every
    key path there is, for hints about a misplaced key.
    """

    file: str
    folder: Path | None = None
    known: tuple[str, ...] = ()
    found: list[Fault] = field(default_factory=list)

    def add(self, key: str, given: str, allowed: str, hint: str = "") -> None:
        """Note one fault."""
        self.found.append(Fault(self.file, key, given, allowed, hint))

    def missing(self, key: str, allowed: str, hint: str = "") -> None:
        """Note a key that is missing."""
        self.add(key, MISSING_KEY, allowed, hint)

    def say(self, key: str, sentence: str, hint: str = "") -> None:
        """Note one fault in a sentence of its own."""
        self.add(key, "", sentence, hint)

    def raise_if_any(self) -> None:
        """Raise a CaseError if there are faults."""
        if self.found:
            raise CaseError(self.found)


class NoAnswer(RuntimeError):
    """There is no such answer, such as a trim or a periodic state; the message says why."""


class StudyError(Exception):
    """A study cannot continue; the message says why and what to do."""
