"""Kill a sweep at random times, again and again, and check that nothing is lost.

    python -m tests.crash_sweep --kills 100 --points 20000 [--processes]

After every kill each chunk file must be complete; at the end the resumed result must equal an
uninterrupted one bit for bit. The tests kill a small sweep a few times.
"""

from __future__ import annotations

import argparse
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import h5py
import numpy as np

from flapsim.kernel.compiled import is_warm

PROJECT = Path(__file__).parents[1]
BEGIN = "import sys; from flapsim.cli.main import main; sys.exit(main(sys.argv[1:]))"

PLAN = """\
base = "case.toml"
sampling = "latin-hypercube"
samples = {samples}
seed = 3
set = {{ "model.steps" = {steps} }}
[[axis]]
key = "flight.pitch_deg"
from = 0.0
to = 8.0
[[axis]]
key = "stroke.outer.twist.tip_amplitude_deg"
from = 10.0
to = 45.0
"""


def write_plan(folder: Path, samples: int, steps: int = 64) -> Path:
    case = (PROJECT / "cases" / "glasshouse.toml").read_text("utf-8")
    (folder / "case.toml").write_text(case, "utf-8")
    plan = folder / "plan.toml"
    plan.write_text(PLAN.format(samples=samples, steps=steps), "utf-8")
    return plan


def start(plan: Path, result: Path, *more: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-c", BEGIN, "sweep", str(plan), "-o", str(result), *more]
    return subprocess.Popen(
        command, cwd=PROJECT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def check_chunks(result: Path) -> int:
    """Open every finished chunk and the result, if there is one; return how many chunks."""
    count = 0
    folder = result.with_name(f"{result.name}.chunks")
    for path in sorted(folder.glob("chunk-*.npz")):
        with np.load(path) as file:
            values, status = file["values"], file["status"]
            assert values.shape[1] == status.size
            assert np.all(status == 1)
            assert np.isfinite(values[0]).all()
        count += 1
    if result.exists():
        with h5py.File(result, "r") as file:
            assert np.all(file["status"][()] != 0)
    return count


def differing(first: Path, second: Path) -> list[str]:
    """Names of the datasets that are not equal bit for bit."""
    with h5py.File(first, "r") as one, h5py.File(second, "r") as other:
        names = [name for name in one if isinstance(one[name], h5py.Dataset)]
        assert set(names) == set(other)
        return [
            name
            for name in names
            if one[name].dtype != other[name].dtype
            or one[name][()].tobytes() != other[name][()].tobytes()
            if h5py.check_string_dtype(one[name].dtype) is None
        ]


def crash(folder: Path, kills: int, samples: int, seed: int, *more: str) -> dict[str, int]:
    """Kill a sweep `kills` times.

    Returns the number of kills, the most chunks found after one, the chunks that were lost from one
    kill to the next (must be 0), and the sweeps that were done before they could be killed.
    """
    chance = random.Random(seed)
    plan = write_plan(folder, samples, steps=16)  # cheap points: the writing is tested
    whole, result = folder / "whole.h5", folder / "result.h5"
    if not is_warm():
        assert start(plan, whole, *more).wait() == 0  # compiles, which would distort the timing
    begun = time.monotonic()
    assert start(plan, whole, *more, "--overwrite").wait() == 0
    duration = time.monotonic() - begun
    seen = {"kills": 0, "most chunks": 0, "lost chunks": 0, "done before": 0}
    kept = 0
    while seen["kills"] < kills:
        begun = time.monotonic()
        sweep = start(plan, result, *more)
        try:
            sweep.wait(timeout=chance.uniform(0.1, 0.9) * duration)
            assert sweep.returncode == 0
            seen["done before"] += 1
            duration = min(duration, time.monotonic() - begun)  # the machine has become faster
            assert differing(whole, result) == []
            result.unlink()
            kept = 0
            continue
        except subprocess.TimeoutExpired:
            sweep.send_signal(signal.SIGKILL)
            sweep.wait()
        seen["kills"] += 1
        if seen["kills"] % 10 == 0:
            print(seen, file=sys.stderr, flush=True)
        found = check_chunks(result)
        if result.exists():
            kept = 0
            continue
        seen["lost chunks"] += max(0, kept - found)
        kept = found
        seen["most chunks"] = max(seen["most chunks"], found)
    assert start(plan, result, *more).wait() == 0
    assert differing(whole, result) == []
    assert not result.with_name(f"{result.name}.chunks").exists()
    return seen


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--points", type=int, default=20_000, help="of the sweep")
    parser.add_argument("--processes", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    more = ["--processes"] if options.processes else ["--threads"]
    with tempfile.TemporaryDirectory() as folder:
        print(
            crash(Path(folder), options.kills, options.points, options.seed, *more, "--chunk", "64")
        )


if __name__ == "__main__":
    main()
