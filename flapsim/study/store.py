"""The finished chunks of a sweep on disk until the last one is there, safe against any crash.

Answers: which chunks are finished, does this folder belong to this sweep, and how is a new chunk
written so that a kill, a full disk or a power cut leaves either all of it or nothing? Each chunk is
a small complete file of numpy arrays (``numpy.load`` opens it), written under another name, synced
and renamed; `flapsim.study.assembly` makes the result file of them. A single file that grows could
not promise as much. Chunks are not HDF5 files: for files this small HDF5 takes twice the time.
"""

from __future__ import annotations

import errno
import json
import os
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
from filelock import BaseFileLock, FileLock, SoftFileLock, Timeout
from numpy.typing import NDArray

from flapsim.faults import StudyError
from flapsim.study.chunk import SERIES, Answer

_IDENTITY: Final = "sweep.json"
_LOCK: Final = "lock"
_OWNER: Final = "lock.owner"
"""Names the process that writes here, on file systems without locks."""

_NO_LOCKS: Final = (errno.ENOLCK, errno.EOPNOTSUPP)
_CHUNK: Final = re.compile(r"chunk-(\d+)\.npz")


@dataclass(frozen=True)
class Identity:
    """What identifies a sweep: two of equal identity give the same numbers.

    `facts` is everything that determines the numbers, flat, by readable names; `names` are the
    results kept, `count` the number of points, `chunk` the points per chunk.
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


def _written(item: Path) -> bool:
    """Whether a sweep wrote a file of the folder; whatever else lies there is left alone."""
    own = item.name in (_LOCK, _OWNER, _IDENTITY) or item.suffix == ".part"
    return own or _CHUNK.fullmatch(item.name) is not None


def differences(before: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """List the facts in which two sweeps differ, a line each."""
    lines = []
    for name in before | now:
        old, new = before.get(name), now.get(name)
        if old != new:
            words = [
                "not given" if value is None else json.dumps(value, ensure_ascii=False)
                for value in (old, new)
            ]
            short = [word if len(word) < 70 else f"{word[:66]}..." for word in words]
            if short[0] == short[1]:
                short = ["another value", "changed"]
            lines.append(f"  {name}: {short[0]} then, {short[1]} now")
    return lines


@dataclass
class ChunkStore:
    """Chunks of one sweep on disk: the result file that they will become, and which are there."""

    target: Path
    identity: Identity
    finished: set[int] = field(default_factory=set)
    _lock: BaseFileLock | None = None

    @property
    def folder(self) -> Path:
        """Folder of the chunks."""
        return chunks_folder(self.target)

    @property
    def points(self) -> int:
        """Number of points in the finished chunks."""
        last = self.identity.chunks - 1
        lacking = self.identity.chunks * self.identity.chunk - self.identity.count
        return len(self.finished) * self.identity.chunk - lacking * (last in self.finished)

    def span(self, number: int) -> tuple[int, int]:
        """First point of a chunk, and the one after its last."""
        start = number * self.identity.chunk
        return start, min(start + self.identity.chunk, self.identity.count)

    @classmethod
    def open(cls, target: Path, identity: Identity, anew: bool = False) -> ChunkStore:
        """Begin a store or resume one, which keeps its own chunk size.

        With `anew`, existing chunks are discarded, whichever sweep they belong to.

        Raises
        ------
        StudyError
            If the folder belongs to another sweep, is in use, or cannot be written.
        """
        folder = chunks_folder(target)
        with _disk_faults(target, 0):
            folder.mkdir(exist_ok=True)
            strange = sorted(item.name for item in folder.iterdir() if not _written(item))
        if strange:
            raise StudyError(
                f"{folder}: holds {strange[0]}, which no sweep wrote; move it elsewhere or choose"
                " another output"
            )
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
        """Remove chunks that a crash left beside a complete result, unless they are in use."""
        store = cls(target, identity)
        if store.folder.is_dir():
            with suppress(StudyError):
                store._take_lock()
                store.discard()

    def _clear(self) -> None:
        """Remove everything but the lock."""
        with _disk_faults(self.target, 0):
            for item in self.folder.iterdir():
                if _written(item) and item.name not in (_LOCK, _OWNER):
                    item.unlink()

    def _adopt(self) -> None:
        """Check that the folder belongs to this sweep, and find its finished chunks."""
        with _disk_faults(self.target, 0):
            for left in self.folder.glob("*.part"):
                left.unlink()
        path = self.folder / _IDENTITY
        if not path.exists():
            with _disk_faults(self.target, 0):
                text = json.dumps(asdict(self.identity), indent=1, default=str).encode()
                _write_synced(path, lambda file: file.write(text))
            return
        try:
            known = json.loads(path.read_text("utf-8"))
        except (OSError, ValueError) as error:
            raise StudyError(f"{path}: cannot be read; did flapsim make this folder?") from error
        now = json.loads(json.dumps(self.identity.facts, default=str))
        lines = differences(known["facts"], now)
        if lines:
            raise StudyError(refusal(self.target, f"{self.folder.name} holds", lines))
        self.identity = replace(self.identity, chunk=known["chunk"])
        self.finished = {
            int(match[1])
            for item in os.scandir(self.folder)
            if (match := _CHUNK.fullmatch(item.name)) and self._readable(int(match[1]))
        }

    def _readable(self, number: int) -> bool:
        """Whether a chunk can be read; one that a failing disk damaged is computed again."""
        try:
            answer = self.read(number)
        except OSError:
            return False
        scalars = sum(not name.startswith(SERIES) for name in self.identity.names)
        start, stop = self.span(number)
        size = (scalars, stop - start)
        return answer.number == number < self.identity.chunks and answer.values.shape == size

    def _path(self, number: int) -> Path:
        return self.folder / f"chunk-{number:07d}.npz"

    def missing(self) -> Iterator[int]:
        """Numbers of the chunks that are not there yet."""
        return (n for n in range(self.identity.chunks) if n not in self.finished)

    def write(self, answer: Answer) -> None:
        """Keep a finished chunk: all of it or, whatever happens, nothing.

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
        except Exception as error:  # a damaged file may be anything
            raise OSError(f"{path.name} cannot be read: {error}") from error

    def discard(self) -> None:
        """Remove the chunks, once they are in the result file or no longer wanted."""
        self._remove_written()  # still locked: no other sweep may begin
        self.close()
        self._remove_written()  # Windows keeps a locked file until now
        with suppress(OSError):  # where somebody put a file of his own, the folder stays
            self.folder.rmdir()

    def _remove_written(self) -> None:
        with suppress(OSError):
            for item in self.folder.iterdir():
                if _written(item):
                    with suppress(OSError):
                        item.unlink()

    def close(self) -> None:
        """Let others use the folder."""
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def _take_lock(self) -> None:
        """Keep a second sweep out; the lock ends with the process, however that ends."""
        lock: BaseFileLock = FileLock(self.folder / _LOCK)
        hint = ""
        with _disk_faults(self.target, 0):
            try:
                try:
                    lock.acquire(timeout=0)
                except OSError as error:
                    if error.errno not in _NO_LOCKS:
                        raise
                    # Names its process: recognised as abandoned on this machine, not on another.
                    lock = SoftFileLock(self.folder / _OWNER)
                    hint = f"; if none is running, delete {_OWNER} there"
                    lock.acquire(timeout=0)
            except Timeout as error:  # itself an OSError
                raise StudyError(
                    f"{self.folder}: another sweep is writing here; wait for it or choose another"
                    f" -o{hint}"
                ) from error
        self._lock = lock


def refusal(target: Path, whose: str, lines: list[str]) -> str:
    """Say why a sweep may not write to `target`, and what to do.

    `whose` names what holds the other sweep, with the verb; `lines` are those of `differences`.
    """
    more = [f"  and {len(lines) - 12} more"] if len(lines) > 12 else []
    return "\n".join(
        [
            f"{target}: {whose} another sweep; it differs in",
            *lines[:12],
            *more,
            "choose another -o, undo the change, or add --overwrite to start again",
        ]
    )


def _write_synced(path: Path, write: Callable[[IO[bytes]], object]) -> None:
    """Write a file under another name, sync it, and rename it."""
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
    """Sync the names in a folder to the disk, where the system can."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def _disk_faults(target: Path, kept: int) -> Iterator[None]:
    """Report an error of the disk, and what is kept."""
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
