"""The rooms of the package stand on floors: a module uses those below it, never those above."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

PROJECT = Path(__file__).parents[1]


def test_imports_only_run_downward() -> None:
    check = "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports())"
    verdict = subprocess.run(
        [sys.executable, "-c", check], cwd=PROJECT, capture_output=True, text=True, check=False
    )
    assert verdict.returncode == 0, verdict.stdout + verdict.stderr
