"""How the innermost functions are compiled, and where the machine code is kept.

All functions share their compiler options: sums are not reordered and products are fused only where
the source says so, so that a design gives the same bits alone and in a batch, whatever its lane;
Python's lock is released, so that threads run in parallel. The machine code is kept on disk under a
name made from the sources of all of it, since a compiled function contains the constants and the
small functions it calls from other files.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import numba
from numba import njit
from platformdirs import user_cache_path

_Function = Callable[..., Any]

_OPTIONS: dict[str, Any] = {
    "nogil": True,
    "error_model": "numpy",
    "fastmath": {"nsz"},
}


@lru_cache(maxsize=1)
def cache_folder() -> Path | None:
    """Folder of the compiled code of this very version, or None where none can be written.

    Below ``NUMBA_CACHE_DIR`` if that is set, else the user's cache folder, else the temporary one.
    """
    digest = hashlib.sha256()
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    name = Path("flapsim") / digest.hexdigest()[:16]
    given = os.environ.get("NUMBA_CACHE_DIR")
    bases = [Path(given)] if given else [user_cache_path(), Path(tempfile.gettempdir())]
    for base in bases:
        folder = base / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK):
            return folder
    return None


def is_warm() -> bool:
    """Whether compiled code of this version lies on disk already."""
    folder = cache_folder()
    return folder is not None and any(folder.rglob("*.nbc"))


def _compile(function: _Function, **more: Any) -> _Function:
    # The library asks for its cache folder when a function is decorated; others' functions keep
    # the folder they would have had.
    folder = cache_folder()
    before = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = str(folder or "")
    try:
        made: _Function = njit(cache=folder is not None, **_OPTIONS, **more)(function)
        return made
    finally:
        numba.config.CACHE_DIR = before


def compiled(function: _Function) -> _Function:
    """Compile a pass over a block of designs: plain numbers and arrays in, plain numbers out."""
    return _compile(function)


def inlined(function: _Function) -> _Function:
    """Compile a small function of the innermost loops, on lanes, into its callers."""
    return _compile(function, forceinline=True)
