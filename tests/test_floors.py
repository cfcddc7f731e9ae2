"""The package is built in rooms on floors: imports only run downward, and no file is too long.

`[tool.importlinter]` in pyproject.toml lists the floors; its check fails on an upward import, and
on a module or room that is on no floor.
"""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import flapsim

PROJECT = Path(__file__).parents[1]
PACKAGE = PROJECT / "flapsim"

MOST_LINES = 500
MOST_ROOT_MODULES = 4
MOST_FLOORS = 12


def sources() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def floors() -> list[str]:
    settings = tomllib.loads((PROJECT / "pyproject.toml").read_text("utf-8"))
    (layers,) = [
        contract
        for contract in settings["tool"]["importlinter"]["contracts"]
        if contract["type"] == "layers"
    ]
    assert layers["exhaustive"]
    return layers["layers"]


def test_imports_only_run_downward() -> None:
    check = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports())"
    verdict = subprocess.run(
        [sys.executable, "-c", check], cwd=PROJECT, capture_output=True, text=True, check=False
    )
    assert verdict.returncode == 0, verdict.stdout + verdict.stderr


def test_there_are_no_more_floors_than_can_be_remembered() -> None:
    assert 0 < len(floors()) <= MOST_FLOORS


def test_few_modules_stand_outside_a_room() -> None:
    modules = [path.name for path in PACKAGE.glob("*.py") if path.name != "__init__.py"]
    assert 0 < len(modules) <= MOST_ROOT_MODULES, modules


def test_no_file_of_the_package_is_too_long() -> None:
    lines = {
        str(path.relative_to(PROJECT)): len(path.read_text("utf-8").splitlines())
        for path in sources()
    }
    assert lines
    too_long = {path: count for path, count in lines.items() if count > MOST_LINES}
    assert too_long == {}


@pytest.mark.parametrize("name", flapsim.__all__)
def test_every_public_name_is_there(name: str) -> None:
    assert getattr(flapsim, name) is not None
    assert name in dir(flapsim)


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'simulat'"):
        flapsim.simulat  # noqa: B018


def test_the_package_itself_loads_nothing_heavy() -> None:
    check = (
        "import sys, flapsim; sys.exit(int(bool({'numpy', 'numba', 'h5py'} & set(sys.modules))))"
    )
    done = subprocess.run([sys.executable, "-c", check], cwd=PROJECT, check=False)
    assert done.returncode == 0
