"""No number moves unnoticed: what the commands print is what was written down (`tests.record`)."""

from __future__ import annotations

import json

import pytest

from tests.record import COMMANDS, NUMBERS, numbers_of

# Another processor rounds sines and fused products differently; a change of physics is larger.
TOLERANCE = 1e-8

RECORDED: dict[str, dict[str, float]] = json.loads(NUMBERS.read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_prints_the_numbers_that_were_written_down(name: str) -> None:
    found, recorded = numbers_of(COMMANDS[name]), RECORDED[name]
    assert found.keys() == recorded.keys()
    # A residual is rounding: it is only asked to stay small.
    moved = {
        key: (recorded[key], value)
        for key, value in found.items()
        if value != pytest.approx(recorded[key], rel=TOLERANCE, abs=1e-9)
    }
    assert not moved
