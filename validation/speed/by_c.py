"""The kernel's arithmetic in plain C, built here and now by the system's compiler."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from flapsim.kernel import Batch
from flapsim.kernel import layout as at
from validation.speed.question import Means

SOURCE = Path(__file__).with_name("yardstick.c")
FLAGS = ("-O3", "-march=native", "-ffast-math", "-fopenmp")

# In the order of the enumerations of the C source.
CONSTANTS = (
    at.CONST_DENSITY,
    at.CONST_VISCOSITY,
    at.CONST_AIRSPEED,
    at.CONST_AIR_ANGLE,
    at.CONST_TILT,
    at.CONST_FREQUENCY,
    at.CONST_INNER_LENGTH,
    at.CONST_ASPECT_RATIO,
    at.CONST_TWIST_AXIS,
    at.CONST_LAG_AMPLITUDE_1,
    at.CONST_LAG_RATE_1,
)
PARAMETERS = (
    at.PAR_DISTANCE,
    at.PAR_FRACTION,
    at.PAR_WIDTH,
    at.PAR_CHORD,
    at.PAR_CAMBER,
    at.PAR_SUCTION,
    at.PAR_ONSET,
    at.PAR_INVERSE_RANGE,
    at.PAR_PLATE_DRAG,
    at.PAR_FRICTION,
)
TORQUES = 6

Solver = Callable[[Batch, int], Means]


def compiler() -> str | None:
    """Path of the system's C compiler, None without one."""
    return shutil.which(os.environ.get("CC", "cc"))


def build() -> Solver:
    """Build the C source in a temporary folder and load it.

    Raises
    ------
    RuntimeError
        Without a compiler, or if it refuses the source or a flag.
    """
    found = compiler()
    if found is None:
        raise RuntimeError("there is no C compiler on this machine")
    with tempfile.TemporaryDirectory() as folder:
        part, target = str(Path(folder) / "yardstick.o"), str(Path(folder) / "yardstick.so")
        _run(found, *FLAGS, "-fPIC", "-c", "-o", part, str(SOURCE))
        # Linked without -ffast-math, which would add a start-up that makes the whole process, and
        # all other contestants with it, round the smallest numbers to zero.
        _run(found, "-fopenmp", "-shared", "-o", target, part, "-lm")
        function = ctypes.CDLL(target).solve
    function.restype = None
    return lambda batch, threads: _call(function, batch, threads)


def _run(*command: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"the C compiler failed: {done.stderr.strip()}")


def _call(function: Callable[..., None], batch: Batch, threads: int) -> Means:
    def contiguous(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.ascontiguousarray(values, dtype=np.float64)

    strips, _, designs = batch.parameter.shape
    coefficients = batch.schedule.shape[1]
    half = (coefficients - 1) // 2
    used = batch.schedule.any(axis=2)
    order = np.arange(1, half + 1)
    harmonics = np.max(order * (used[:, 1 : half + 1] | used[:, half + 1 :]), axis=1, initial=0)
    out = np.empty((5 + TORQUES, designs))
    given = (
        contiguous(batch.constant[list(CONSTANTS)]),
        contiguous(batch.parameter[:, list(PARAMETERS)]),
        contiguous(batch.schedule),
        np.ascontiguousarray(harmonics, dtype=np.int32),
        np.ascontiguousarray(batch.segment, dtype=np.int32),
    )
    counts = (strips, coefficients, batch.steps, designs)
    function(
        *(ctypes.c_void_p(array.ctypes.data) for array in given),
        *(ctypes.c_long(count) for count in counts),
        ctypes.c_int(threads),
        ctypes.c_void_p(out.ctypes.data),
    )
    return Means(*out[:5], torques=out[5:])
