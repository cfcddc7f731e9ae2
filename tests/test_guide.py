"""What the contributor guide and the README say is where they say it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from flapsim.cli.main import main

PROJECT = Path(__file__).parents[1]
GUIDE = (PROJECT / "DEVELOPERS.md").read_text(encoding="utf-8")
README = (PROJECT / "README.md").read_text(encoding="utf-8")

PATHS = sorted(set(re.findall(r"`((?:\w+/)*\w+\.(?:py|toml|csv))`", GUIDE)))
ROWS = [
    (path, name)
    for line in GUIDE.splitlines()
    for names, path in re.findall(r"((?:`\w+`(?:, | or | and )?)+),? in `((?:\w+/)+\w+\.py)`", line)
    for name in re.findall(r"\w+", names)
] + re.findall(r"`((?:\w+/)*\w+\.py)`, `(\w+)`", GUIDE)


def located(path: str) -> Path:
    """File that the guide names, in the package or at the top of the project."""
    for base in (PROJECT / "flapsim", PROJECT):
        if (base / path).is_file():
            return base / path
    raise AssertionError(f"DEVELOPERS.md names {path}, which does not exist")


@pytest.mark.parametrize("path", PATHS)
def test_a_file_named_in_the_guide_exists(path: str) -> None:
    assert located(path).read_text(encoding="utf-8")


@pytest.mark.parametrize(("path", "name"), ROWS)
def test_a_name_stands_in_the_file_that_the_guide_gives_for_it(path: str, name: str) -> None:
    assert re.search(rf"\b{re.escape(name)}\b", located(path).read_text(encoding="utf-8"))


def test_the_map_of_rooms_fits_a_screen() -> None:
    picture = GUIDE.split("## The rooms")[1].split("```")[1]
    lines = picture.strip("\n").splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 110
    rooms = {path.parent.name for path in (PROJECT / "flapsim").glob("*/__init__.py")}
    assert rooms == set(re.findall(r"(\w+)/", picture)) - {"twist"}


def test_the_readme_is_short_and_opens_with_the_job() -> None:
    assert len(README.splitlines()) <= 150
    assert README.splitlines()[2].startswith("Write down one flapping-wing craft")


def test_every_command_of_the_readme_is_a_command(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    known = capsys.readouterr().out
    named = set(re.findall(r"(?:^|`|&& )flapsim (\w+)", README, re.MULTILINE)) - {"COMMAND"}
    assert {name for name in named if not re.search(rf"\b{name}\b", known)} == set()
    assert len(named) >= 14
