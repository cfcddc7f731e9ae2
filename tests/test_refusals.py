"""Options that cannot do what they seem to say are refused, in words and with exit code 2."""

from __future__ import annotations

import pytest

from flapsim import parse_case, read_case, trim
from flapsim.cli.main import main
from tests.mutations import CASES

GLASSHOUSE = str(CASES / "glasshouse.toml")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["power", "--speeds", "4:6:3", "--available", "nan"], "positive number"),
        (["power", "--speeds", "4:6:3", "--available", "-5"], "positive number"),
        (["power", "--speeds", "4:9:1000000000000"], "COUNT from 3 to 1000"),
        (["loads", "--tube", "1e-300"], "from 0.01 to 1000 mm"),
        (["loads", "--tube", "1e300"], "from 0.01 to 1000 mm"),
        (["trim", "--glide", "--climb", "10"], "leave out --climb"),
        (["trim", "--free", ","], "names joined by commas"),
        (["trim", "--free", "flight.pitch_deg,"], "names joined by commas"),
        (["trim", "--full", "title=abc"], "expected a number"),
    ],
)
def test_an_option_without_a_meaning_is_refused(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    command, *options = arguments
    try:
        code = main([command, GLASSHOUSE, *options])
    except SystemExit as end:
        code = end.code
    out, err = capsys.readouterr()
    assert (code, out) == (2, "")
    assert words in " ".join(err.split())


def test_trim_frees_pitch_and_plunge_unless_told_otherwise() -> None:
    found = trim(read_case(GLASSHOUSE))
    assert set(found.solution) == {
        "flight.pitch_deg",
        "stroke.inner.plunge.amplitude_deg",
        "stroke.outer.plunge.amplitude_deg",
    }


def test_a_case_is_parsed_from_text_only() -> None:
    with pytest.raises(TypeError, match="parse_case takes the text of a case"):
        parse_case({"title": "a table"})  # type: ignore[arg-type]
