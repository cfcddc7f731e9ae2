"""A killed sweep, a full disk or a dead worker loses no finished chunk."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from flapsim.faults import StudyError
from flapsim.study import identity
from flapsim.study.engine import Interrupted, Progress, sweep
from flapsim.study.preview import preview
from flapsim.study.table import read_sweep
from tests.crash_sweep import crash, differing, start, write_plan

INTERRUPTIBLE = """\
import signal, sys
from flapsim.cli.main import main
signal.signal(signal.SIGINT, signal.default_int_handler)  # in the background it is ignored
sys.exit(main(sys.argv[1:]))
"""


def stop_at(points: int) -> Callable[[Progress], None]:
    """Interrupt a sweep, as Ctrl-C does, after so many points."""

    def stop(progress: Progress) -> None:
        if progress.done >= points:
            raise KeyboardInterrupt

    return stop


@pytest.mark.parametrize(("kind", "kills"), [("--threads", 3), ("--processes", 2)])
def test_a_sweep_killed_at_random_ends_bit_for_bit_like_an_uninterrupted_one(
    kind: str, kills: int, tmp_path: Path
) -> None:
    seen = crash(tmp_path, kills, 2048, 1, kind, "--chunk", "64")
    assert seen["kills"] == kills
    assert seen["lost chunks"] == 0


def test_workers_end_with_a_killed_parent(tmp_path: Path) -> None:
    psutil = pytest.importorskip("psutil")
    process = start(write_plan(tmp_path, 16384, 256), tmp_path / "r.h5", "--processes")
    family = psutil.Process(process.pid)
    deadline = time.monotonic() + 60.0
    while not (workers := [c for c in family.children() if "spawn_main" in str(c.cmdline())]):
        assert time.monotonic() < deadline
        time.sleep(0.05)
    time.sleep(1.0)
    process.send_signal(signal.SIGKILL)
    process.wait()
    _, alive = psutil.wait_procs(workers, timeout=20.0)
    assert alive == []


def test_ctrl_c_keeps_finished_chunks_and_says_how_to_resume(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, 16384, 256)
    process = subprocess.Popen(
        [sys.executable, "-c", INTERRUPTIBLE, "sweep", str(plan), "-o", str(tmp_path / "r.h5"),
         "--chunk", "64"],
        stderr=subprocess.PIPE, text=True, cwd=Path(__file__).parents[1],
    )  # fmt: skip
    folder = tmp_path / "r.h5.chunks"
    deadline = time.monotonic() + 60.0
    while len(list(folder.glob("chunk-*.npz"))) < 3:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    try:
        _, said = process.communicate(timeout=60.0)
    finally:
        process.kill()
    assert process.returncode == 130
    assert "are kept, in r.h5 with the others pending; run the same command" in said
    assert "Traceback" not in said
    assert len(list(folder.glob("chunk-*.npz"))) >= 3


def test_a_resumed_sweep_computes_only_what_is_missing(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, 512)
    with pytest.raises(Interrupted, match="of 512 points are kept"):
        sweep(plan, tmp_path / "r.h5", chunk=64, workers=1, on_progress=stop_at(192))
    part = read_sweep(tmp_path / "r.h5")
    assert not part.complete
    kept = part.counts()["done"]
    assert kept + part.counts()["pending"] == 512
    assert np.isnan(part.column("mean.lift_n")[~part.done]).all()
    seen: list[Progress] = []
    sweep(plan, tmp_path / "r.h5", chunk=64, workers=1, on_progress=seen.append)
    assert 192 <= kept == seen[0].resumed < 512
    assert seen[-1].done == 512
    sweep(plan, tmp_path / "whole.h5")
    assert differing(tmp_path / "whole.h5", tmp_path / "r.h5") == []


@pytest.mark.parametrize("damage", ["cut short", "emptied", "one bit of a number"])
def test_a_damaged_chunk_is_computed_again(damage: str, tmp_path: Path) -> None:
    plan = write_plan(tmp_path, 256)
    with pytest.raises(Interrupted):
        sweep(plan, tmp_path / "r.h5", chunk=64, workers=1, on_progress=stop_at(128))
    first = sorted((tmp_path / "r.h5.chunks").glob("chunk-*.npz"))[0]
    damaged = bytearray(first.read_bytes())
    if damage == "one bit of a number":
        damaged[len(damaged) // 2] ^= 1
    else:
        del damaged[400 if damage == "cut short" else 0 :]
    first.write_bytes(damaged)
    (tmp_path / "r.h5.chunks" / "chunk-0000001.npz.part").write_bytes(b"half")
    sweep(plan, tmp_path / "r.h5")
    sweep(plan, tmp_path / "whole.h5")
    assert differing(tmp_path / "whole.h5", tmp_path / "r.h5") == []


def test_another_plan_is_refused_with_the_difference(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, 256)
    sweep(plan, tmp_path / "r.h5")
    plan.write_text(plan.read_text().replace("45.0", "40.0"))
    with pytest.raises(StudyError, match=r"plan: axis\.1\.to: 45\.0 then, 40\.0 now"):
        sweep(plan, tmp_path / "r.h5")
    assert sweep(plan, tmp_path / "r.h5", overwrite=True).count == 256


def test_a_changed_case_is_refused_while_a_changed_comment_is_not(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, 256)
    before = sweep(plan, tmp_path / "r.h5").path.stat().st_mtime_ns
    plan.write_text("# a remark\n" + plan.read_text())
    assert sweep(plan, tmp_path / "r.h5").path.stat().st_mtime_ns == before
    case = tmp_path / "case.toml"
    case.write_text(case.read_text().replace("mass_kg = 0.24", "mass_kg = 0.25"))
    with pytest.raises(StudyError, match=r"case: craft\.mass_kg: 0\.24 then, 0\.25 now"):
        sweep(plan, tmp_path / "r.h5")


@pytest.mark.parametrize("what", ["flapsim", "numpy", "source"])
def test_another_version_is_refused_and_named(
    what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = write_plan(tmp_path, 128)
    with pytest.raises(Interrupted):
        sweep(plan, tmp_path / "r.h5", chunk=64, workers=1, on_progress=stop_at(64))
    if what == "flapsim":
        monkeypatch.setattr(identity, "installed_version", lambda: "0.0.9")
    elif what == "numpy":
        monkeypatch.setattr(identity, "version", lambda name: f"1.2 of {name}")
    else:
        monkeypatch.setattr(identity, "_digest", lambda: "other source")
    said = {"source": "source of the solver"}.get(what, f"version of {what}")
    with pytest.raises(StudyError, match=rf"{said}: .* then, .* now"):
        sweep(plan, tmp_path / "r.h5")
    (tmp_path / "r.h5.chunks").rename(
        tmp_path / "s.h5.chunks"
    )  # without the result, its chunks refuse too
    with pytest.raises(StudyError, match=rf"s.h5.chunks holds another sweep(.|\n)*{said}: .* then"):
        sweep(plan, tmp_path / "s.h5")


def test_a_second_sweep_on_the_same_file_is_kept_out(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, 256)

    def begin_another(progress: Progress) -> None:
        sweep(plan, tmp_path / "r.h5")

    with pytest.raises(StudyError, match="another sweep is writing here"):
        sweep(plan, tmp_path / "r.h5", on_progress=begin_another)


def test_a_running_sweep_is_not_overwritten(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, 256)

    def begin_another(progress: Progress) -> None:
        if progress.done >= 128:
            with pytest.raises(StudyError, match="another sweep is writing here"):
                sweep(plan, tmp_path / "r.h5", overwrite=True)

    sweep(plan, tmp_path / "r.h5", chunk=64, on_progress=begin_another)
    sweep(plan, tmp_path / "whole.h5")
    assert differing(tmp_path / "whole.h5", tmp_path / "r.h5") == []


def test_a_file_system_without_locks_still_keeps_a_second_sweep_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fcntl = pytest.importorskip("fcntl")

    def no_locks(*_: object) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(fcntl, "flock", no_locks)
    plan, target = write_plan(tmp_path, 256), tmp_path / "r.h5"

    def start_another(progress: Progress) -> None:
        with pytest.raises(StudyError, match=r"another sweep is writing.*delete lock\.owner"):
            sweep(plan, target, overwrite=True)

    with pytest.raises(Interrupted):
        sweep(plan, target, chunk=64, workers=1, on_progress=stop_at(64))
    # A sweep killed on this machine leaves its lock behind, which keeps nobody out.
    owner = str(target.with_name("r.h5.chunks") / "lock.owner")
    code = f"import filelock, os; x = filelock.SoftFileLock({owner!r}); x.acquire(); os._exit(1)"
    subprocess.run([sys.executable, "-c", code], check=False)
    assert os.path.exists(owner)
    sweep(plan, target, on_progress=start_another)
    assert not target.with_name("r.h5.chunks").exists()


def test_chunks_left_beside_a_complete_result_are_removed(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, 256)
    sweep(plan, tmp_path / "r.h5")
    left = tmp_path / "r.h5.chunks"
    left.mkdir()
    (left / "chunk-0000000.npz").write_bytes(b"left by a crash")
    sweep(plan, tmp_path / "r.h5")
    assert not left.exists()


def test_overwriting_discards_the_chunks_of_another_sweep(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, 256)
    with pytest.raises(Interrupted):
        sweep(plan, tmp_path / "r.h5", chunk=64, workers=1, on_progress=stop_at(64))
    plan.write_text(plan.read_text().replace("45.0", "40.0"))
    with pytest.raises(StudyError, match=r"it differs in\n  plan: axis\.1\.to"):
        sweep(plan, tmp_path / "r.h5")
    seen: list[Progress] = []
    sweep(plan, tmp_path / "r.h5", overwrite=True, on_progress=seen.append)
    assert seen[0].resumed == 0


@pytest.mark.parametrize("failing", ["chunk-", "assembled"])
def test_a_full_disk_is_reported_and_loses_nothing(
    failing: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = write_plan(tmp_path, 256)
    synced = os.fsync
    calls = 0

    def full(handle: int) -> None:
        nonlocal calls
        name = os.readlink(f"/proc/self/fd/{handle}")
        if failing in os.path.basename(name):
            calls += 1
            if failing == "assembled" or calls == 3:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        synced(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StudyError, match=r"No space left.* finished chunks .*run the same command"):
        sweep(plan, tmp_path / "r.h5", chunk=64, workers=1)
    assert not (tmp_path / "r.h5").exists()
    kept = list((tmp_path / "r.h5.chunks").glob("chunk-*.npz"))
    assert len(kept) == (4 if failing == "assembled" else 2)
    monkeypatch.setattr(os, "fsync", synced)
    sweep(plan, tmp_path / "r.h5")
    sweep(plan, tmp_path / "whole.h5")
    assert differing(tmp_path / "whole.h5", tmp_path / "r.h5") == []


def test_a_sweep_that_fills_its_disk_resumes_when_there_is_room(tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=700k", "tmpfs", str(disk)]
    if (
        os.name != "posix"
        or os.geteuid() != 0
        or subprocess.run(mount, capture_output=True, check=False).returncode
    ):
        pytest.skip("a small disk can be mounted only by root")
    try:
        plan = write_plan(tmp_path, 2048)
        with pytest.raises(StudyError, match="No space left"):
            sweep(plan, disk / "r.h5", chunk=64)
        assert not (disk / "r.h5").exists()
        bigger = ["mount", "-o", "remount,size=8m", str(disk)]
        subprocess.run(bigger, check=True)
        seen: list[Progress] = []
        sweep(plan, disk / "r.h5", on_progress=seen.append)
        assert seen[0].resumed > 0
        sweep(plan, tmp_path / "whole.h5")
        assert differing(tmp_path / "whole.h5", disk / "r.h5") == []
    finally:
        subprocess.run(["umount", str(disk)], check=False)


def test_a_read_only_folder_is_refused_before_anything_is_computed(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, 256)
    disk = tmp_path / "disk"
    disk.mkdir()
    disk.chmod(0o555)
    mounted = False
    if os.access(disk, os.W_OK):  # root ignores permissions, but not a read-only file system
        mount = ["mount", "-t", "tmpfs", "-o", "ro,size=1m", "tmpfs", str(disk)]
        if os.name != "posix" or subprocess.run(mount, capture_output=True, check=False).returncode:
            pytest.skip("no folder can be made that this user may only read")
        mounted = True
    seen: list[Progress] = []
    try:
        for ask in (sweep, preview):
            with pytest.raises(StudyError, match=r"no permission to write|Read-only file system"):
                ask(plan, disk / "r.h5")
        with pytest.raises(StudyError, match=r"no permission to write|Read-only file system"):
            sweep(plan, disk / "r.h5", on_progress=seen.append, overwrite=True)
    finally:
        if mounted:
            subprocess.run(["umount", str(disk)], check=False)
        disk.chmod(0o755)
    assert seen == []


def test_a_missing_folder_is_refused_before_anything_is_computed(tmp_path: Path) -> None:
    plan = write_plan(tmp_path, 256)
    with pytest.raises(StudyError, match="there is no folder"):
        sweep(plan, tmp_path / "nowhere" / "r.h5")
    with pytest.raises(StudyError, match="there is no folder"):
        preview(plan, tmp_path / "nowhere" / "r.h5")
    with pytest.raises(StudyError, match="found a folder"):
        sweep(plan, tmp_path)


def test_a_killed_process_of_the_pool_is_replaced(tmp_path: Path) -> None:
    psutil = pytest.importorskip("psutil")
    plan = write_plan(tmp_path, 4096)
    killed: list[int] = []

    def kill(progress: Progress) -> None:
        if progress.done >= 256 and not killed:
            for child in psutil.Process().children():
                if "spawn_main" in str(child.cmdline()):
                    killed.append(child.pid)
                    child.kill()
                    return

    sweep(plan, tmp_path / "r.h5", backend="processes", workers=2, chunk=64, on_progress=kill)
    assert killed
    sweep(plan, tmp_path / "whole.h5")
    assert differing(tmp_path / "whole.h5", tmp_path / "r.h5") == []


def test_a_dask_worker_killed_mid_sweep_costs_nothing(tmp_path: Path) -> None:
    pytest.importorskip("distributed")
    program = f"""
import os, signal, sys
from pathlib import Path
from distributed import Client, LocalCluster
from flapsim.cli.main import main as flapsim
from flapsim.study.engine import sweep
from flapsim.study.reading import read_study

def main():
    folder = Path({str(tmp_path)!r})
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        with Client(cluster) as client:
            pids = list(client.run(os.getpid).values())
            killed = []
            def kill(progress):
                if progress.done >= 512 and not killed:
                    killed.append(pids[0])
                    os.kill(pids[0], signal.SIGKILL)
            sweep(folder / "plan.toml", folder / "r.h5", executor=client.get_executor(),
                  workers=2, chunk=64, on_progress=kill)
            assert killed
        words = ["sweep", str(folder / "plan.toml"), "-o", str(folder / "again.h5")]
        assert flapsim([*words, "--dask", cluster.scheduler_address]) == 0

if __name__ == "__main__":
    main()
"""
    write_plan(tmp_path, 4096)
    script = tmp_path / "cluster.py"
    script.write_text(program)
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    run = subprocess.run(
        [sys.executable, str(script)], env=environment, capture_output=True, text=True,
        timeout=240, check=False, cwd=tmp_path,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr[-3000:]
    sweep(tmp_path / "plan.toml", tmp_path / "whole.h5")
    for name in ("r.h5", "again.h5"):
        assert differing(tmp_path / "whole.h5", tmp_path / name) == []
    assert np.all(read_sweep(tmp_path / "r.h5").done)
