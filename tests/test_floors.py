"""The rooms of the package stand on floors: a module uses those below it, never those above."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import flapsim

PROJECT = Path(__file__).parents[1]


def test_imports_only_run_downward() -> None:
    check = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports())"
    verdict = subprocess.run(
        [sys.executable, "-c", check], cwd=PROJECT, capture_output=True, text=True, check=False
    )
    assert verdict.returncode == 0, verdict.stdout + verdict.stderr


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
