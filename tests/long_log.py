"""Stream a log of any size through ``reduce`` without storing it; print time and memory.

    python -m tests.long_log --gigabytes 5
    python -m tests.long_log --hours 1

The log is sampled at 2 kHz and fed through a pipe: five seconds of the glasshouse surveyor,
repeated, with a clock and a counter that wrap after whole strokes.
"""

from __future__ import annotations

import argparse
import dataclasses
import io
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))

from rig_bench import bench, log, typical_flaws

RATE = 2000
STROKES = 14
SECONDS = 5
COUNTS = STROKES * 300
BEGIN = "import sys; from flapsim.cli.main import main; sys.exit(main(sys.argv[1:]))"


def rig_text() -> str:
    """Return the rig file of the cases, for a faster logger whose counters wrap."""
    text = bench().text
    for old, new in (
        ("sample_rate_hz = 500.0", f"sample_rate_hz = {RATE}"),
        ('column = "t"\nunit = "s"', f'column = "t"\nunit = "us"\nwraps_at = {SECONDS}e6'),
        ("wraps_at = 65536.0", f"wraps_at = {COUNTS}"),
    ):
        assert old in text, old
        text = text.replace(old, new)
    return text


def piece() -> tuple[bytes, bytes]:
    """Return the header and five seconds of rows."""
    rig = bench()
    fast = dataclasses.replace(rig, log=dataclasses.replace(rig.log, sample_rate_hz=RATE))
    flaws = typical_flaws(dropped=0.0, jitter=0.0)
    rows = SECONDS * RATE
    columns = {name: values[:rows] for name, values in log(fast, STROKES, flaws=flaws).items()}
    number = np.arange(rows)
    columns["t"] = number * (1_000_000 // RATE)
    columns["count"] = number * COUNTS // rows
    text = io.StringIO()
    pd.DataFrame(columns).to_csv(text, index=False, float_format="%.6g")
    header, _, body = text.getvalue().partition("\n")
    return f"{header}\n".encode(), body.encode()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    size = parser.add_mutually_exclusive_group(required=True)
    size.add_argument("--gigabytes", type=float)
    size.add_argument("--hours", type=float)
    options = parser.parse_args()
    header, body = piece()
    repeats = round(
        options.gigabytes * 1e9 / len(body)
        if options.gigabytes
        else options.hours * 3600.0 / SECONDS
    )
    with tempfile.TemporaryDirectory() as folder:
        pipe, rig = Path(folder) / "long.csv", Path(folder) / "rig.toml"
        os.mkfifo(pipe)
        rig.write_text(rig_text(), "utf-8")

        def feed() -> None:
            with pipe.open("wb") as file:
                file.write(header)
                for _ in range(repeats):
                    file.write(body)

        threading.Thread(target=feed, daemon=True).start()
        begun = time.perf_counter()
        command = [sys.executable, "-c", BEGIN, "reduce", str(pipe), "--rig", str(rig)]
        done = subprocess.run(command, cwd=Path(__file__).parents[1], check=False)
        took = time.perf_counter() - begun
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(
        f"\n{repeats * len(body) / 1e9:.2f} GB, {repeats * SECONDS * RATE / 1e6:.1f} million rows,"
        f" {repeats * SECONDS / 3600.0:.2f} h: {took:.0f} s, {used.ru_utime:.0f} s of it"
        f" computing; at most {used.ru_maxrss / 1e6:.2f} GB of memory"
    )
    sys.exit(done.returncode)


if __name__ == "__main__":
    main()
