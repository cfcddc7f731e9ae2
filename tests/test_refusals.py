"""Options that cannot do what they seem to say are refused, in words and with exit code 2."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

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


@pytest.mark.parametrize("encoding", ["ascii", "cp437", "cp1251"])
def test_a_terminal_without_our_signs_gets_plain_ones(encoding: str) -> None:
    start = "import sys; from flapsim.cli.main import main; sys.exit(main())"
    done = subprocess.run(
        [sys.executable, "-c", start, "run", GLASSHOUSE],
        env=os.environ | {"PYTHONIOENCODING": encoding},
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    table = done.stdout.decode(encoding)
    assert "thrust x airspeed" in table
    assert "?" not in table


def test_a_folder_with_files_of_the_user_is_not_taken_for_chunks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "map.h5.chunks"
    folder.mkdir()
    (folder / "notes.txt").write_text("mine", encoding="utf-8")
    code = main(["sweep", str(CASES / "twist_driven.toml"), "-o", str(tmp_path / "map.h5")])
    assert code == 2
    assert "holds notes.txt, which no sweep wrote" in capsys.readouterr().err
    assert (folder / "notes.txt").read_text(encoding="utf-8") == "mine"


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
