"""A mutated case gets an answer in words, or numbers, and never a traceback."""

from __future__ import annotations

from pathlib import Path

import pytest

from flapsim import read_case, simulate, trim
from flapsim.faults import CaseError, NoAnswer
from tests.mutations import CASES, trial

TRIALS = 40
SEED = 1


@pytest.mark.parametrize("number", range(TRIALS))
def test_a_mutated_case_ends_in_words_or_in_numbers(number: int, tmp_path: Path) -> None:
    text, wrong = trial(number, tmp_path, SEED)
    assert not wrong, f"{wrong}\n{text}"


def test_moments_too_large_for_the_inertia_of_the_twist_are_no_answer() -> None:
    case = read_case(CASES / "passive_twist.toml").replace({"flight.airspeed_m_s": 1e9})
    with pytest.raises(NoAnswer, match="stability of the twist cannot be computed"):
        simulate(case)


def test_a_key_of_a_table_that_the_case_does_not_have_cannot_be_free() -> None:
    case = read_case(CASES / "glasshouse.toml")
    with pytest.raises(CaseError, match=r"craft\.tail: not in this case"):
        trim(case, ["flight.pitch_deg", "stroke.frequency_hz", "craft.tail.angle_deg"])
