"""Settings shared by all tests: reproducible examples, one thread a worker, the kernel built once.

The tests run in as many workers as there are cores, a whole file in one worker, so that what a
file prepares is prepared once. `pytest -n 0` runs them in one process, as a debugger needs.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from filelock import FileLock
from hypothesis import HealthCheck, settings

# One thread a worker, and in the processes it starts: numpy, imported later, reads this.
LIBRARIES = ("OPENBLAS", "OMP", "MKL")
for library in LIBRARIES:
    os.environ.setdefault(f"{library}_NUM_THREADS", "1")

CASES = Path(__file__).parents[1] / "cases"

# The order in which the workers take the files. The first starts one worker compiling; meanwhile
# another has files that need no compiled code; the longest of the rest come next, so that no
# worker is left with one of them at the end. A file that is missing here costs a little time.
WITHOUT_KERNEL = (
    "test_case",
    "test_case_faults",
    "test_schedule",
    "test_study_sequences",
    "test_wing",
    "test_floors",
)
LONGEST = (
    "test_study_crash",
    "test_figures",
    "test_twist_marching",
    "test_rig_calibrate",
    "test_kernel_against_twin",
    "test_animation",
)
ORDER = ("test_validation", *WITHOUT_KERNEL, *LONGEST)

settings.register_profile(
    "reproducible",
    derandomize=True,
    deadline=None,
    database=None,
    print_blob=False,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("reproducible")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files into the order in which workers take them; within a file nothing moves."""
    places = {name: place for place, name in enumerate(ORDER)}
    items.sort(key=lambda item: places.get(item.path.stem, len(places)))


@pytest.fixture(scope="session")
def compiled_kernel() -> None:
    """Compile the kernel in one worker while the others wait, then load it from disk."""
    from flapsim import read_case, simulate
    from flapsim.kernel.compiled import cache_folder

    folder = cache_folder()
    assert folder is not None, "the tests need a folder that keeps compiled code"
    with FileLock(folder / "tests.lock"):
        simulate(read_case(CASES / "glasshouse.toml"))


@pytest.fixture(autouse=True, scope="module")
def _compiled_once(request: pytest.FixtureRequest) -> None:
    if request.path.stem not in WITHOUT_KERNEL:
        request.getfixturevalue("compiled_kernel")
