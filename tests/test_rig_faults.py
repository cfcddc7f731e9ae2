"""Broken logs and rig files: refused with a message and exit code 2, or repaired and counted."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from rig_bench import CASES, LOG

from flapsim.cli.main import main

RIG = CASES / "rig" / "bench.toml"
HEADER = "t,count,u_motor,i_motor,lift,thrust"
Rows = list[str]


def written() -> Rows:
    """Lines of the example log, comments left out."""
    return [line for line in LOG.read_text().splitlines() if not line.startswith("#")]


def cells(row: str) -> list[str]:
    return row.split(",")


def changed(rows: Rows, column: int, change: Callable[[int, str], str], first: int = 1) -> Rows:
    """Every cell of a column below the header, changed."""
    out = rows[:first]
    for number, row in enumerate(rows[first:], start=first):
        parts = cells(row)
        parts[column] = change(number, parts[column])
        out.append(",".join(parts))
    return out


def cell_at(rows: Rows, row: int, column: int, text: str) -> Rows:
    return changed(rows, column, lambda number, cell: text if number == row else cell)


def scaled(rows: Rows, column: int, factor: float) -> Rows:
    return changed(rows, column, lambda _, cell: f"{float(cell) * factor:.9g}")


def text_of(rows: Rows) -> bytes:
    return ("\n".join(rows) + "\n").encode()


T, COUNT, VOLTS, AMPS, LIFT, THRUST = range(6)

REFUSED: dict[str, tuple[Callable[[Rows], bytes], str]] = {
    "text in a number": (
        lambda rows: text_of(cell_at(rows, 700, LIFT, "4.1O")),
        r'line 701, lift: expected a number, found "4\.1O"'),
    "a word in a number": (
        lambda rows: text_of(cell_at(rows, 12, THRUST, "overload")), r"line 13, thrust"),
    "a number with a unit": (
        lambda rows: text_of(cell_at(rows, 12, VOLTS, "7.4V")),
        r'line 13, u_motor: expected a number, found "7\.4V"'),
    "a decimal comma": (
        lambda rows: text_of(changed(rows, LIFT, lambda _, c: c.replace(".", ","))),
        r"line 2: expected 6 cells, found 7 cells"),
    "infinity": (lambda rows: text_of(cell_at(rows, 9, LIFT, "inf")), r'line 10, lift: .*"inf"'),
    "digits grouped": (
        lambda rows: text_of(cell_at(rows, 9, AMPS, "1_000")), r"line 10, i_motor"),
    "time runs backwards": (
        lambda rows: text_of([*rows[:2000], rows[1500], *rows[2000:]]),
        r"line 2001, t: expected a time that increases"),
    "the whole log backwards": (
        lambda rows: text_of([rows[0], *rows[:0:-1]]), r"line 3, t: "),
    "two runs in one file": (
        lambda rows: text_of(rows + rows[1:]), r"line \d+, t: .* found 0 s after 11\.6"),
    "the header again": (
        lambda rows: text_of([*rows[:900], HEADER, *rows[900:]]),
        r'line 901, t: expected a number, found "t"'),
    "a clock in ms": (lambda rows: text_of(scaled(rows, T, 1000.0)), r"channels\.time\.unit"),
    "a clock that stopped": (
        lambda rows: text_of(changed(rows, T, lambda *_: "1.0")),
        r"line 3, t: \d+ of 5820 rows repeat an earlier time"),
    "a clock of too few decimals": (
        lambda rows: text_of(changed(rows, T, lambda _, c: f"{float(c):.2f}")),
        r"too few decimals"),
    "another sample rate": (
        lambda rows: text_of([rows[0], *rows[1::2]]), r"found under 333.333"),
    "a fast clock": (
        lambda rows: text_of(scaled(rows, T, 0.95)), r"expected 500 samples per second.* 526\.3"),
    "no number anywhere in a column": (
        lambda rows: text_of(changed(rows, AMPS, lambda *_: "nan")),
        r"line 2, i_motor: no number in 5820 of 5820 rows"),
    "a tenth of a column missing": (
        lambda rows: text_of(changed(rows, LIFT, lambda n, c: "" if n % 10 == 0 else c)),
        r"line 11, lift: no number in 582 of 5820 rows"),
    "volts in mV": (
        lambda rows: text_of(scaled(rows, VOLTS, 1000.0)),
        r'u_motor: .* found 5785; .* is the column in "mV"\?'),
    "mA in A": (
        lambda rows: text_of(scaled(rows, AMPS, 1e-3)),
        r'i_motor: .* found at most 0.0012.* is the column in "A"'),
    "a current that cannot turn the motor": (
        lambda rows: text_of(scaled(rows, AMPS, 0.1)), r"mean shaft power > 0, found -0\.\d+ W"),
    "thrust in gf": (
        lambda rows: text_of(scaled(rows, THRUST, 1000.0)), r"thrust: .* out of range"),
    "a voltage with its sign reversed": (
        lambda rows: text_of(changed(rows, VOLTS, lambda _, c: f"-{c}")),
        r"is the sign reversed\?"),
    "a stuck balance": (
        lambda rows: text_of(changed(rows, LIFT, lambda *_: "2.4")),
        r"lift: expected a reading that changes, found 2\.4 in every row; the sensor is stuck"),
    "a balance stuck after a while": (
        lambda rows: text_of(changed(rows, THRUST, lambda n, c: "90" if n > 900 else c)),
        r"thrust stuck"),
    "a crank that does not turn": (
        lambda rows: text_of(changed(rows, COUNT, lambda *_: "155")),
        r"count: .* found no complete stroke"),
    "a crank that turns backwards": (
        lambda rows: text_of(changed(rows, COUNT, lambda _, c: str(65535 - int(c)))),
        r"turns backwards; set position\.direction = -1"),
    "one stroke only": (
        lambda rows: text_of(rows[:330]), r"found 1 of 1 strokes at about 2\.8"),
    "less than a stroke": (lambda rows: text_of(rows[:100]), r"no complete stroke"),
    "half the counts": (
        lambda rows: text_of(changed(rows, COUNT, lambda _, c: str(int(c) // 2))),
        r"frequency out of range"),
    "a column of another name": (
        lambda rows: text_of([rows[0].replace("u_motor", "u_motr"), *rows[1:]]),
        r'line 1: there is no column "u_motor"; did you mean "u_motr"'),
    "a column twice": (
        lambda rows: text_of([rows[0].replace("lift", "thrust"), *rows[1:]]),
        r'line 1: the column "thrust" appears 2 times'),
    "no header": (lambda rows: text_of(rows[1:]), r'line 1: there is no column "t"'),
    "a header alone": (lambda rows: text_of(rows[:1]), r"no rows below the header"),
    "nothing": (lambda rows: b"", r"expected a header row .* found no rows"),
    "comments alone": (lambda rows: b"# a\n# b\n", r"found no rows"),
    "a cell too few": (
        lambda rows: text_of([*rows[:50], ",".join(cells(rows[50])[:-1]), *rows[51:]]),
        r"line 51: expected 6 cells, found 5 cells"),
    "a cell too many": (
        lambda rows: text_of([*rows[:50], rows[50] + ",1", *rows[51:]]),
        r"line 51: .* found 7 cells"),
    "one cell too few and one too many": (
        lambda rows: text_of([*rows[:50], ",".join(cells(rows[50])[:-1]), rows[51] + ",1",
                              *rows[52:]]), r"line 51: .* 5 cells[\s\S]*line 52: .* 7 cells"),
    "separated by semicolons": (
        lambda rows: text_of([row.replace(",", ";") for row in rows]),
        r'set log\.separator = ";" in the rig file'),
    "separated by tabs": (
        lambda rows: text_of([row.replace(",", "\t") for row in rows]), r"log\.separator = "),
    "text in UTF-16": (lambda rows: "\n".join(rows).encode("utf-16"), r"UTF-16"),
    "packed": (lambda rows: b"\x1f\x8b\x08\x00" + bytes(range(256)), r"found binary data"),
    "bytes lost to zeros": (
        lambda rows: text_of(rows[:5]) + b"\0" * 400 + text_of(rows[5:]), r"found binary data"),
    "zeros in the middle": (
        lambda rows: text_of(rows[:3000]) + b"\0" * 40 + text_of(rows[3000:]), r"line 3001, t: "),
    "no line ends": (lambda rows: ",".join(rows).encode() * 8, r"line|header"),
    "old line ends": (lambda rows: "\r".join(rows).encode(), r"carriage return"),
}  # fmt: skip

REPAIRED: dict[str, tuple[Callable[[Rows], bytes], str, int]] = {
    "a few empty cells": (
        lambda rows: text_of(cell_at(cell_at(rows, 500, LIFT, ""), 900, LIFT, "nan")),
        "lift missing", 2),
    "a spike": (lambda rows: text_of(cell_at(rows, 800, LIFT, "900.0")), "lift out of range", 1),
    "rows dropped": (
        lambda rows: text_of([*rows[:600], *rows[602:]]), "samples dropped in gaps", 2),
    "a time written twice": (
        lambda rows: text_of(cell_at(rows, 700, T, cells(rows[699])[0])), "time repeated", 1),
    "a log cut off in a row": (
        lambda rows: text_of(rows)[:-7], "last line cut off", 1),
    "a spike of the count": (
        lambda rows: text_of(cell_at(rows, 1000, COUNT, "60000")), "position spikes", 1),
    "counts lost": (
        lambda rows: text_of(
            changed(rows, COUNT, lambda n, c: str((int(c) + 300) % 65536) if n > 2000 else c)),
        "position jumps", 1),
    "a count that wraps": (
        lambda rows: text_of(changed(rows, COUNT, lambda _, c: str((int(c) + 60000) % 65536))),
        "sensor wraps", 1),
}  # fmt: skip

REJECTED: dict[str, tuple[Callable[[Rows], bytes], str]] = {
    "half a second is missing": (
        lambda rows: text_of([*rows[:2000], *rows[2250:]]), "gap in the samples"),
    "a sensor stuck for a stroke": (
        lambda rows: text_of(changed(rows, LIFT, lambda n, c: "2.1" if 1500 < n < 1700 else c)),
        "lift stuck"),
    "a knock on the balance": (
        lambda rows: text_of(
            changed(rows, LIFT, lambda n, c: "30.0" if 1500 < n < 1530 and n % 2 else c)),
        "lift far from the rest"),
    "the crank held for a while": (
        lambda rows: text_of(
            changed(rows, COUNT, lambda n, c: cells(rows[1500])[1] if 1500 < n < 1560 else c)),
        "uneven crank speed"),
}  # fmt: skip

HARMLESS: dict[str, Callable[[Rows], bytes]] = {
    "comments and blank lines": lambda rows: text_of(
        ["# head", rows[0], "", *rows[1:40], "# in between", "", *rows[40:], ""]
    ),
    "line ends of another system": lambda rows: ("\r\n".join(rows) + "\r\n").encode(),
    "a byte order mark": lambda rows: b"\xef\xbb\xbf" + text_of(rows),
    "blanks around cells": lambda rows: text_of([row.replace(",", " , ") for row in rows]),
    "another column with words": lambda rows: text_of(
        [rows[0] + ",remark", *(row + ",fine" for row in rows[1:])]
    ),
}


def reduce(folder: Path, text: bytes, *options: str) -> int:
    (folder / "broken.csv").write_bytes(text)
    return main(["reduce", str(folder / "broken.csv"), "--rig", str(RIG), *options])


@pytest.mark.parametrize("kind", REFUSED)
def test_a_broken_log_is_refused_with_its_line_and_column(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil, words = REFUSED[kind]
    code = reduce(tmp_path, spoil(written()))
    captured = capsys.readouterr()
    assert code == 2, captured
    assert captured.out == ""
    assert "broken.csv" in captured.err
    assert re.search(words, captured.err), captured.err


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> dict[str, float]:
    from flapsim.rig.reduction import reduce_log
    from flapsim.rig.rig_file import read_rig

    found = reduce_log(LOG, read_rig(RIG)).account.estimates
    return {name: estimate.value for name, estimate in found.items()}


def close_to(sound: dict[str, float], document: dict[str, dict[str, float]]) -> bool:
    """Whether no result moved by more than its standard uncertainty."""
    uncertainty = document["uncertainty"]
    return all(
        abs(value - sound[name]) <= uncertainty[name]["uncertainty"] + 1e-3 * abs(value)  # type: ignore[index]
        for name, value in document["mean"].items()
    )


@pytest.mark.parametrize("kind", REPAIRED)
def test_a_repairable_fault_is_counted_and_changes_no_result(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], sound: dict[str, float]
) -> None:
    spoil, name, least = REPAIRED[kind]
    assert reduce(tmp_path, spoil(written()), "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["counts"][name] >= least
    assert document["strokes"]["accepted"] >= 29
    assert close_to(sound, document), document["mean"]


@pytest.mark.parametrize("kind", REJECTED)
def test_a_bad_stroke_is_rejected_with_its_reason(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], sound: dict[str, float]
) -> None:
    spoil, reason = REJECTED[kind]
    assert reduce(tmp_path, spoil(written()), "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["strokes"]["rejected"][reason] in (1, 2, 3)
    assert close_to(sound, document), document["mean"]


@pytest.mark.parametrize("kind", HARMLESS)
def test_harmless_variations_of_a_log_change_nothing(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], sound: dict[str, float]
) -> None:
    assert reduce(tmp_path, HARMLESS[kind](written()), "--json") == 0
    document = json.loads(capsys.readouterr().out)
    assert document["mean"] == pytest.approx(sound, rel=1e-12)


@pytest.mark.parametrize("seed", range(24))
def test_bytes_damaged_at_random_never_change_a_result_silently(
    seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str], sound: dict[str, float]
) -> None:
    chance = random.Random(seed)
    text = bytearray(text_of(written()))
    for _ in range(chance.choice([1, 2, 5])):
        at, size = chance.randrange(len(text) - 100), chance.choice([1, 2, 8, 30, 6000])
        damage = chance.randrange(4)
        if damage == 0:
            text[at] = chance.choice(b'0123456789.,-+eE \n\x00\xff#"')
        elif damage == 1:
            del text[at : at + size]
        elif damage == 2:
            text[at:at] = text[at : at + size]
        else:
            text[at] = chance.choice(b"0123456789")
    code = reduce(tmp_path, bytes(text), "--json")
    captured = capsys.readouterr()
    if code == 2:
        assert "broken.csv" in captured.err
    else:
        assert code == 0
        assert close_to(sound, json.loads(captured.out))


def test_a_missing_log_and_a_folder_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path in (tmp_path / "none.csv", tmp_path):
        assert main(["reduce", str(path), "--rig", str(RIG)]) == 2
        assert path.name in capsys.readouterr().err


def test_memory_does_not_grow_with_the_log(tmp_path: Path) -> None:
    """A log may be of any size: a few hundred numbers per stroke are kept."""
    import tracemalloc

    from flapsim.rig.log import LogReader

    rows = written()
    peaks = []
    for copies in (4, 32):
        path = tmp_path / f"{copies}.csv"
        path.write_text("\n".join([rows[0], *(rows[1:] * copies)]) + "\n")
        tracemalloc.start()
        count = sum(
            len(chunk.lines)
            for chunk in LogReader(path, HEADER.split(","), chunk_bytes=1 << 16).chunks()
        )
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert count == copies * (len(rows) - 1)
    assert peaks[1] < 1.2 * peaks[0]


def test_a_whole_reduction_keeps_little_of_each_stroke(tmp_path: Path) -> None:
    import tracemalloc

    from long_log import STROKES, piece, rig_text

    from flapsim.rig.reduction import reduce_log
    from flapsim.rig.rig_file import parse_rig

    header, body = piece()
    rig, peaks = parse_rig(rig_text(), tmp_path), []
    sizes = (8, 24)
    for copies in sizes:
        path = tmp_path / f"{copies}.csv"
        path.write_bytes(header + body * copies)
        tracemalloc.start()
        found = reduce_log(path, rig, chunk_bytes=1 << 18)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        # The first stroke began before the log, the last has not ended.
        assert copies * STROKES - 2 <= found.strokes.count <= copies * STROKES
    # A stroke has 714 rows of 6 numbers here, 34 kB; kept are 64 bins of 5 waves and their times
    # (1.8 kB), for a while twice. 216 000 strokes, 5 GB of log, then take 1.4 GB.
    assert (peaks[1] - peaks[0]) / (STROKES * (sizes[1] - sizes[0])) < 8_000


# --- rig files ---------------------------------------------------------------------------------

RIG_FAULTS = {
    "an unknown key": ("sample_rate_hz = 500.0", "sample_rate = 500.0", "sample_rate_hz"),
    "a wrong unit": ('unit = "mA"', 'unit = "mAmp"',
        r'channels\.current\.unit: expected .* found "mAmp"'),
    "a range backwards": ("[5.0, 11.0]", "[11.0, 5.0]", r"channels\.voltage\.range"),
    "a gain of zero": ('unit = "V"', 'unit = "V"\ngain = 0.0', r"channels\.voltage\.gain"),
    "a column for two things": ('column = "lift"', 'column = "thrust"', "a column of its own"),
    "sampled too slowly": ("rate_hz = 500.0", "rate_hz = 20.0", "16 samples per stroke"),
    "no counts per turn": ("per_turn = 6.0 ", "", r"position\.per_turn: missing"),
    "less than a count a stroke": ("per_turn = 6.0", "per_turn = 0.01", "one count or edge"),
    "no direction": ('kind = "counts"', 'kind = "counts"\ndirection = 0', r"position\.direction"),
    "frequencies backwards": ("[2.0, 4.0]", "[4.0, 2.0]", r"strokes\.frequency_hz"),
    "a gear that gains": ("gear_efficiency = 0.78", "gear_efficiency = 1.2", "gear_efficiency"),
    "no TOML": ("[log]", "[log", "TOML"),
}  # fmt: skip


@pytest.mark.parametrize("kind", RIG_FAULTS)
def test_a_wrong_rig_file_is_refused_with_its_key(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old, new, words = RIG_FAULTS[kind]
    text = RIG.read_text()
    assert old in text
    (tmp_path / "wrong.toml").write_text(text.replace(old, new, 1))
    assert main(["reduce", str(LOG), "--rig", str(tmp_path / "wrong.toml")]) == 2
    captured = capsys.readouterr().err
    assert "wrong.toml" in captured
    assert re.search(words, captured), captured


MOTOR = re.compile(r"^motor = .*$", re.MULTILINE)

NAMED_FILES = {
    "a dynamometer that falls short": ("0.1,0.001\n0.5,0.002\n",
        r"expected a table that covers .* found 0\.1 to 0\.5 A"),
    "a dynamometer that falls": ("0.1,0.003\n2.5,0.002\n",
        r"row 2, torque_n_m: expected an increasing column"),
    "a dynamometer of one row": ("0.1,0.003\n", "at least 2 rows"),
    "a dynamometer with a hole": ("0.1,\n2,1\n",
        "row 1, torque_n_m: expected a number, found an empty cell"),
    "a dynamometer in words": ("0.1,much\n2,1\n",
        'line 2, torque_n_m: expected a number, found "much"'),
    "no dynamometer": (None, "no such file"),
}  # fmt: skip


@pytest.mark.parametrize("kind", NAMED_FILES)
def test_a_broken_file_named_by_the_rig_is_refused(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows, words = NAMED_FILES[kind]
    text, count = MOTOR.subn('dynamometer_file = "dyno.csv"', RIG.read_text())
    assert count == 1
    (tmp_path / "rig.toml").write_text(text)
    if rows is not None:
        (tmp_path / "dyno.csv").write_text(f"current_a,torque_n_m\n{rows}")
    assert main(["reduce", str(LOG), "--rig", str(tmp_path / "rig.toml")]) == 2
    captured = capsys.readouterr().err
    assert "dyno.csv" in captured
    assert re.search(words, captured), captured


def test_files_named_by_the_rig_are_read_before_a_long_log() -> None:
    import dataclasses

    from flapsim.faults import CaseError
    from flapsim.rig.reduction import reduce_chunks
    from flapsim.rig.rig_file import Tare, read_rig

    rig = dataclasses.replace(read_rig(RIG), tare=Tare(still_log="none.csv"))
    rows = (pytest.fail("the log was read first") for _ in range(1))
    with pytest.raises(CaseError, match=r"none\.csv"):
        reduce_chunks(rows, rig, "long.csv")
