"""Every comparison with a published source, one test each; the sources are under validation/."""

from __future__ import annotations

import pytest

from validation.catalogue import all_checks
from validation.check import Check


@pytest.mark.parametrize("check", all_checks(), ids=lambda check: check.name)
def test_solver_agrees_with(check: Check) -> None:
    verdict = check.run()
    assert verdict.passed, str(verdict)
