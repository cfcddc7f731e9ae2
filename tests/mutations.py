"""Case files that went wrong: what a slip, a bad merge or an adversary makes of a sound one.

``python -m tests.mutations 20000 [SEED]`` runs that many and prints those that end badly.
"""

from __future__ import annotations

import io
import json
import math
import random
import re
import sys
import time
import traceback
import warnings
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

from flapsim.cli.main import main

CASES = Path(__file__).parents[1] / "cases"
LONGEST = 10.0
"""Seconds after which `run` counts an answer as bad; the first compiles, and may take longer."""

SOUND = sorted(
    path for path in CASES.glob("*.toml") if "[stroke" in path.read_text(encoding="utf-8")
)
"""Cases that run."""

_NUMBER = re.compile(r"(?<![\w.\"])-?\d+(?:\.\d+)?(?:e-?\d+)?(?![\w.\"])")
_ODD = (
    "0", "0.0", "-1", "1", "nan", "inf", "-inf", "1e300", "-1e300", "1e-300", "1e9", "1e-9",
    "123456789012345678901234567890", "true", '"text"', "[]", "[1, 2]", "{}", "1979-05-27",
)  # fmt: skip


def mutated(text: str, dice: random.Random) -> str:
    """Text of a case with one to three changes."""
    for _ in range(dice.choice((1, 1, 1, 2, 3))):
        text = dice.choice(_CHANGES)(text, dice)
    return text


def _scaled(text: str, dice: random.Random) -> str:
    """One number, larger, smaller or of the other sign."""

    def change(number: str) -> str:
        factor = dice.choice((-1.0, 0.5, 2.0, 10.0, 0.1, 100.0, 0.01, 1e4, 1e-4))
        return repr(float(number) * factor)

    return _at_number(text, dice, change)


def _odd(text: str, dice: random.Random) -> str:
    """One number, replaced by something unusual."""
    return _at_number(text, dice, lambda _: dice.choice(_ODD))


def _at_number(text: str, dice: random.Random, change: object) -> str:
    body = _body(text)
    found = list(_NUMBER.finditer(text, body))
    if not found:
        return text
    here = dice.choice(found)
    new = change(here.group())  # type: ignore[operator]
    return text[: here.start()] + new + text[here.end() :]


def _body(text: str) -> int:
    """Where the comments at the head end."""
    return max(text.find("\ntitle"), 0)


def _without_line(text: str, dice: random.Random) -> str:
    lines = text.splitlines(keepends=True)
    del lines[dice.randrange(len(lines))]
    return "".join(lines)


def _line_twice(text: str, dice: random.Random) -> str:
    lines = text.splitlines(keepends=True)
    place = dice.randrange(len(lines))
    lines.insert(dice.randrange(len(lines) + 1), lines[place])
    return "".join(lines)


def _one_character(text: str, dice: random.Random) -> str:
    place = dice.randrange(_body(text), len(text))
    new = dice.choice(("", chr(dice.randrange(32, 127)), "é", "\t", '"', "[", "}", "="))
    return text[:place] + new + text[place + 1 :]


def _other_word(text: str, dice: random.Random) -> str:
    """One quoted word, replaced by that of another key."""
    words = list(re.finditer(r'"([\w-]+)"', text))
    if not words:
        return text
    here, there = dice.choice(words), dice.choice(words)
    other = dice.choice((there.group(1), "none", "slope", "lagged", "servo", "passive", "polar"))
    return text[: here.start(1)] + other + text[here.end(1) :]


_CHANGES = (_scaled, _scaled, _scaled, _odd, _odd, _without_line, _line_twice, _one_character,
            _other_word)  # fmt: skip


def ends_badly(path: Path) -> str:
    """What is wrong with the answer to ``flapsim run PATH --json``; empty where nothing is."""
    out, err = io.StringIO(), io.StringIO()
    with warnings.catch_warnings(), redirect_stdout(out), redirect_stderr(err):
        warnings.simplefilter("error")
        try:
            code = main(["run", str(path), "--json"])
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else -1
        except BaseException:
            return traceback.format_exc(limit=-3)
    if code not in (0, 2, 3):
        return f"exit code {code}: {err.getvalue()[-300:]}"
    if code and not err.getvalue().strip():
        return f"exit code {code} without a word"
    if code == 0:
        mean = json.loads(out.getvalue())["mean"]
        absent = [name for name in ("lift_n", "thrust_n", "aero_power_w") if mean[name] is None]
        if absent or not math.isfinite(mean["lift_n"]):
            return f"exit code 0 without {', '.join(absent)}"
    return ""


def trial(number: int, folder: Path, seed: int = 0) -> tuple[str, str]:
    """Text of a mutated case and what is wrong with its answer."""
    dice = random.Random(f"{seed}/{number}")
    sound = dice.choice(SOUND)
    text = mutated(sound.read_text(encoding="utf-8"), dice)
    path = folder / sound.name
    path.write_text(text, encoding="utf-8")
    return text, ends_badly(path)


def run(count: int, seed: int = 0) -> int:
    """Run mutations and print those that end badly."""
    from tempfile import TemporaryDirectory

    bad = 0
    with TemporaryDirectory() as name:
        for number in range(count):
            begin = time.perf_counter()
            text, wrong = trial(number, Path(name), seed)
            seconds = time.perf_counter() - begin
            if not wrong and seconds > LONGEST:
                wrong = f"took {seconds:.0f} s"
            if wrong:
                bad += 1
                kept = Path(f"mutation_{seed}_{number}.txt")
                kept.write_text(text, encoding="utf-8")
                print(f"{number}: {wrong.strip().splitlines()[-1]} ({kept})", flush=True)
    print(f"{bad} of {count} mutated cases end badly")
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(run(*map(int, sys.argv[1:])))
