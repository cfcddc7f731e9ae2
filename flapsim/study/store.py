"""Where the finished chunks of a sweep lie until the last one is there, safe against any death.

Answers: which chunks are finished, does this folder belong to this very sweep, and how does a new
chunk get there so that a kill, a full disk or a power cut leaves either all of it or nothing? Each
chunk is a small complete file of numpy arrays (``numpy.load`` opens it), written aside, synced and
renamed into place; the result file is made of them by `flapsim.study.assembly`. A file that is
appended to while it grows cannot promise as much. Chunks are no HDF5 files as the result is: of
files this small HDF5 takes twice the time.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
from numpy.typing import NDArray

from flapsim.faults import StudyError
from flapsim.study.chunk import Answer

__all__ = ["ChunkStore", "Identity", "chunks_folder", "differences", "refusal", "sync_folder"]

_IDENTITY: Final = "sweep.json"
_LOCK: Final = "lock"
_CHUNK: Final = re.compile(r"chunk-(\d+)\.npz")


@dataclass(frozen=True)
class Identity:
    """What makes a sweep this sweep: two of equal identity give the same numbers.

    Attributes
    ----------
    facts : dict of str to object
        Everything that decides about numbers, flat, by a name a person understands.
    names : tuple of str
        Results kept.
    count : int
        Number of points.
    chunk : int
        Points per chunk.
    """

    facts: dict[str, Any]
    names: tuple[str, ...]
    count: int
    chunk: int

    @property
    def chunks(self) -> int:
        """Number of chunks."""
        return -(-self.count // self.chunk)


def chunks_folder(target: Path) -> Path:
    """Folder beside a result file in which its chunks are kept until it is complete."""
    return target.with_name(f"{target.name}.chunks")


def differences(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Say in which facts two sweeps differ.

    Parameters
    ----------
    before, now : mapping of str to object
        Facts of two identities.

    Returns
    -------
    list of str
        One line per fact.
    """
    lines = []
    for name in [*before, *(name for name in now if name not in before)]:
        old, new = before.get(name), now.get(name)
        if old != new:
            words = [
                "left out" if value is None else json.dumps(value, ensure_ascii=False)
                for value in (old, new)
            ]
            short = [word if len(word) < 70 else f"{word[:66]}..." for word in words]
            if short[0] == short[1]:
                short = ["something else", "changed"]
            lines.append(f"  {name}: {short[0]} then, {short[1]} now")
    return lines


@dataclass
class ChunkStore:
    """Chunks of one sweep on disk.

    Attributes
    ----------
    target : Path
        Result file that they will become.
    identity : Identity
    finished : set of int
        Numbers of the chunks that are there.
    """

    target: Path
    identity: Identity
    finished: set[int] = field(default_factory=set)
    _lock: IO[str] | None = None

    @property
    def folder(self) -> Path:
        """Where the chunks lie."""
        return chunks_folder(self.target)

    @classmethod
    def open(cls, target: Path, identity: Identity, anew: bool = False) -> ChunkStore:
        """Begin a store or go on with one.

        Parameters
        ----------
        target : Path
            Result file.
        identity : Identity
            Of the sweep that wants to write. A store that exists keeps its own chunk size.
        anew : bool
            Whether to throw away what is there, of whatever sweep.

        Returns
        -------
        ChunkStore

        Raises
        ------
        StudyError
            If the folder belongs to another sweep, is in use, or cannot be written.
        """
        folder = chunks_folder(target)
        with _disk_faults(target, 0):
            folder.mkdir(exist_ok=True)
        store = cls(target, identity)
        store._take_lock()
        try:
            if anew:
                store._clear()
            store._adopt()
        except BaseException:
            store.close()
            raise
        return store

    @classmethod
    def tidy(cls, target: Path, identity: Identity) -> None:
        """Remove chunks that a death left beside a complete result, unless they are in use.

        Parameters
        ----------
        target : Path
            Result file.
        identity : Identity
            Of its sweep.
        """
        store = cls(target, identity)
        if store.folder.is_dir():
            with suppress(StudyError):
                store._take_lock()
                store.discard()

    def _clear(self) -> None:
        """Remove everything but the lock."""
        with _disk_faults(self.target, 0):
            for item in self.folder.iterdir():
                if item.name != _LOCK:
                    item.unlink()

    def _adopt(self) -> None:
        """Check that the folder belongs to this sweep, and look at what it has."""
        with _disk_faults(self.target, 0):
            for left in self.folder.glob("*.part"):
                left.unlink()
        path = self.folder / _IDENTITY
        if not path.exists():
            facts = {
                "facts": self.identity.facts,
                "names": self.identity.names,
                "count": self.identity.count,
                "chunk": self.identity.chunk,
            }
            with _disk_faults(self.target, 0):
                text = json.dumps(facts, indent=1, default=str).encode()
                _write_synced(path, lambda file: file.write(text))
            return
        try:
            known = json.loads(path.read_text("utf-8"))
        except (OSError, ValueError) as error:
            raise StudyError(f"{path}: cannot be read; is it a folder of flapsim?") from error
        now = json.loads(json.dumps(self.identity.facts, default=str))
        lines = differences(known["facts"], now)
        if lines:
            raise StudyError(refusal(self.target, f"{self.folder.name} holds", lines))
        self.identity = Identity(
            self.identity.facts, tuple(known["names"]), known["count"], known["chunk"]
        )
        self.finished = {
            int(match[1])
            for item in os.scandir(self.folder)
            if (match := _CHUNK.fullmatch(item.name)) and self._sound(int(match[1]))
        }

    def _sound(self, number: int) -> bool:
        """Whether a chunk can be read; one that a failing disk spoilt is computed again."""
        try:
            answer = self.read(number)
        except OSError:
            return False
        size = (self._scalars(), self._size(number))
        return answer.number == number < self.identity.chunks and answer.values.shape == size

    def _scalars(self) -> int:
        return sum(not name.startswith("series.") for name in self.identity.names)

    def _size(self, number: int) -> int:
        start = number * self.identity.chunk
        return min(self.identity.chunk, self.identity.count - start)

    def _path(self, number: int) -> Path:
        return self.folder / f"chunk-{number:07d}.npz"

    def missing(self) -> Iterator[int]:
        """Numbers of the chunks that are not there yet."""
        return (n for n in range(self.identity.chunks) if n not in self.finished)

    def write(self, answer: Answer) -> None:
        """Keep a finished chunk: all of it, or, whatever happens, nothing.

        Parameters
        ----------
        answer : Answer
            The chunk.

        Raises
        ------
        StudyError
            If the disk is full or the folder is gone; chunks written before stay.
        """
        arrays: dict[str, Any] = {
            "place": np.array([answer.number, answer.start]),
            "values": answer.values,
            "status": answer.status,
        }
        if answer.series.size:
            arrays["series"] = answer.series
        if answer.reasons:
            arrays |= {"reason": answer.reason, "reasons": np.array(answer.reasons)}
        with _disk_faults(self.target, len(self.finished)):
            _write_synced(self._path(answer.number), lambda file: np.savez(file, **arrays))
        self.finished.add(answer.number)

    def read(self, number: int) -> Answer:
        """Return a finished chunk.

        Parameters
        ----------
        number : int
            Its number.

        Returns
        -------
        Answer

        Raises
        ------
        OSError
            If it cannot be read, or is not what was written: its arrays carry checksums.
        """
        path = self._path(number)
        try:
            with open(path, "rb") as whole, np.load(whole) as file:
                found: dict[str, NDArray[Any]] = dict(file)
            number, start = found["place"].tolist()
            size = found["status"].size
            return Answer(
                number=number,
                start=start,
                values=found["values"],
                series=found.get("series", np.zeros((0, size, 0))),
                status=found["status"],
                reason=found.get("reason", np.zeros(size, dtype=np.int32)),
                reasons=tuple(found["reasons"].tolist()) if "reasons" in found else (),
            )
        except Exception as error:  # a spoilt file may be anything
            raise OSError(f"{path.name} cannot be read: {error}") from error

    def discard(self) -> None:
        """Remove the chunks, once they are in the result file or no longer wanted."""
        shutil.rmtree(self.folder, ignore_errors=True)  # still locked: none may begin meanwhile
        self.close()

    def close(self) -> None:
        """Let others use the folder."""
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def _take_lock(self) -> None:
        """Keep a second sweep out; the lock goes with the process, however that ends."""
        try:
            import fcntl
        except ImportError:  # not on Windows
            return
        with _disk_faults(self.target, 0):
            lock = open(self.folder / _LOCK, "w", encoding="utf-8")  # noqa: SIM115
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            lock.close()
            raise StudyError(
                f"{self.folder}: another sweep is writing here; wait for it or choose another -o"
            ) from error
        except OSError:  # a file system without locks: nothing keeps a second sweep out
            lock.close()
            return
        self._lock = lock


def refusal(target: Path, whose: str, lines: list[str]) -> str:
    """Say why a sweep may not go on in a place, and what to do.

    Parameters
    ----------
    target : Path
        Result file.
    whose : str
        What holds the other sweep, and the verb.
    lines : list of str
        From `differences`.

    Returns
    -------
    str
    """
    more = [f"  and {len(lines) - 12} more"] if len(lines) > 12 else []
    return "\n".join(
        [
            f"{target}: {whose} another sweep; it differs in",
            *lines[:12],
            *more,
            "choose another -o, go back to what it was, or add --overwrite to begin anew",
        ]
    )


def _write_synced(path: Path, write: Callable[[IO[bytes]], object]) -> None:
    """Write a file aside, push it to the disk, and give it its name."""
    aside = path.with_name(f"{path.name}.part")
    try:
        with open(aside, "wb") as file:
            write(file)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
        sync_folder(path.parent)
    except OSError:
        with suppress(OSError):
            aside.unlink(missing_ok=True)
        raise


def sync_folder(folder: Path) -> None:
    """Push the names in a folder to the disk, where the system can."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def _disk_faults(target: Path, kept: int) -> Iterator[None]:
    """Put what the system says about a disk into words."""
    try:
        yield
    except OSError as error:
        why = error.strerror or str(error)
        safe = (
            f"; {kept} finished chunks are kept in {chunks_folder(target).name}:"
            " make room and run the same command again"
            if kept
            else ""
        )
        raise StudyError(f"{target}: cannot be written ({why}){safe}") from error
