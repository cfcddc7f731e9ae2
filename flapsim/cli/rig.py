"""Commands about measurements: reduce, calibrate and rehearse.

Thin, as all of the command line: read the arguments, call the package, print.
"""

from __future__ import annotations

import argparse
import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flapsim.cli.common import (
    INPUT_AT_FAULT,
    NO_SUCH_ANSWER,
    PICTURE_SUFFIXES,
    RESULT_SUFFIXES,
    Stop,
    add_command,
    case_from,
    check_output,
    compilation_said,
    print_json,
    quick_start,
    say,
    take_changes,
    take_json,
    take_output,
)

if TYPE_CHECKING:
    from flapsim.rig.calibrate import Free
    from flapsim.rig.compare import Comparison
    from flapsim.rig.reduction import Reduction

__all__ = ["MEASURED_PICTURE", "add_rig_commands", "draws_reduction"]

_CASE_SUFFIXES = (".toml",)

MEASURED_PICTURE = "measured"
"""Name of the picture of a reduced log."""


def add_rig_commands(commands: Any) -> None:
    """Add the commands of this module to the command line.

    Parameters
    ----------
    commands : argparse subparsers
        Those of the command line.
    """
    reduce_ = add_command(
        commands,
        "reduce",
        _reduce,
        "account for every watt of a measured stroke, with its uncertainty",
        "flapsim reduce cases/rig/bench_log.csv --rig cases/rig/bench.toml"
        " --against cases/glasshouse.toml",
    )
    reduce_.add_argument("log", metavar="LOG", help="log of the rig (.csv), of any size")
    reduce_.add_argument("--rig", metavar="RIG", required=True, help="rig file (.toml)")
    reduce_.add_argument("--against", metavar="CASE", help="case file to hold the log against")
    take_changes(reduce_)
    take_json(reduce_)
    reduce_.add_argument(
        "--series", action="store_true", help="with --json: the averaged strokes too"
    )
    reduce_.add_argument(
        "--figure", metavar="FILE", type=Path, help="picture to draw, .png, .svg or .pdf"
    )
    take_output(reduce_, "result file to write, HDF5 (.h5)")

    calibrate = add_command(
        commands,
        "calibrate",
        _calibrate,
        "fit keys of a case to a log, and say which the log cannot tell apart",
        "flapsim calibrate cases/glasshouse.toml --log cases/rig/bench_log.csv"
        " --rig cases/rig/bench.toml --free wing.section.friction_factor -o fitted.toml",
    )
    calibrate.add_argument("case", metavar="CASE", help="case file (.toml) to start from")
    take_changes(calibrate)
    calibrate.add_argument("--log", metavar="LOG", required=True, help="log of the rig (.csv)")
    calibrate.add_argument("--rig", metavar="RIG", required=True, help="rig file (.toml)")
    calibrate.add_argument(
        "--free", metavar="KEY,KEY", required=True, help="keys of the case to fit"
    )
    calibrate.add_argument(
        "--within", metavar="KEY=LOW:HIGH", action="append", default=[],
        help="bounds of a freed key; repeatable",
    )  # fmt: skip
    calibrate.add_argument(
        "--prior", metavar="KEY=SPREAD", action="append", default=[],
        help="how sure the case is of a freed key, as a standard uncertainty; repeatable",
    )  # fmt: skip
    calibrate.add_argument(
        "--use", metavar="NAME,NAME",
        help="fit only to these of lift, thrust, torque, current, voltage",
    )  # fmt: skip
    take_json(calibrate)
    calibrate.add_argument(
        "-o", "--output", metavar="FILE", type=Path, help="new case file to write (.toml)"
    )

    rehearse = add_command(
        commands,
        "rehearse",
        _rehearse,
        "write the log that a case would give on a bench, to try a rig file before it is built",
        "flapsim rehearse cases/glasshouse.toml --rig cases/rig/bench.toml -o rehearsed.csv",
    )
    rehearse.add_argument("case", metavar="CASE", help="case file (.toml)")
    take_changes(rehearse)
    rehearse.add_argument("--rig", metavar="RIG", required=True, help="rig file (.toml)")
    rehearse.add_argument("--strokes", metavar="N", type=int, default=40, help="length [40]")
    rehearse.add_argument("--seed", metavar="N", type=int, default=0, help="of the noise [0]")
    rehearse.add_argument(
        "--clean", action="store_true", help="sensors without noise, error or missing rows"
    )
    rehearse.add_argument(
        "-o", "--output", metavar="FILE", type=Path, required=True, help="new log to write (.csv)"
    )


def _reduce(options: argparse.Namespace) -> None:
    if options.series and not options.json:
        raise Stop(INPUT_AT_FAULT, "--series goes with --json; a table has no room for series")
    if options.changes and not options.against:
        raise Stop(INPUT_AT_FAULT, "--set changes a case; give one with --against")
    check_output(options, RESULT_SUFFIXES)
    picture = argparse.Namespace(output=options.figure, overwrite=options.overwrite)
    check_output(picture, PICTURE_SUFFIXES)
    case = case_from(options.against, options.changes) if options.against else None
    with quick_start():
        reduction = _reduced(options.log, options.rig)
        comparison = None
        if case is not None:
            from flapsim.faults import NoAnswer
            from flapsim.rig.compare import compare

            try:
                with compilation_said():
                    comparison = compare(reduction, case)
            except NoAnswer as error:
                raise Stop(NO_SUCH_ANSWER, f"{case.name}: {error}") from error
    if options.output is not None:
        _write(reduction, comparison, options.output)
    if options.figure is not None:
        from flapsim.rig.record import measured_stroke
        from flapsim.show.rig_panels import draw_stroke

        draw_stroke(measured_stroke(reduction, comparison), options.figure)
        say(f"wrote {options.figure}")
    if options.json:
        document = reduction.to_dict(series=options.series)
        if comparison is not None:
            document["against"] = comparison.to_dict()
        print_json(document)
        return
    from flapsim.show.rig_tables import reduction_table

    print(reduction_table(reduction, comparison))


def _reduced(log: str, rig: str) -> Reduction:
    from flapsim.rig.reduction import reduce_log
    from flapsim.rig.rig_file import read_rig

    return reduce_log(log, read_rig(rig))


def _write(reduction: Reduction, comparison: Comparison | None, path: Path) -> None:
    from flapsim.cycle.files import ResultError
    from flapsim.rig.record import write_reduction

    try:
        write_reduction(reduction, path, comparison)
    except ResultError as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error
    say(f"wrote {path}")


def draws_reduction(options: argparse.Namespace) -> bool:
    """Draw the result of ``reduce`` for the command ``figure``, if its file is one.

    Parameters
    ----------
    options : argparse.Namespace
        Those of ``figure``.

    Returns
    -------
    bool
        False if the file is something else; nothing is done then.

    Raises
    ------
    Stop
        With words, if the options do not go with it or the file is incomplete.
    """
    if Path(options.file).suffix.lower() not in RESULT_SUFFIXES:
        return False
    from flapsim.cycle.files import ResultError, kind_of

    if kind_of(options.file) != "reduction":
        return False
    from flapsim.rig.record import read_reduction

    if options.kind not in (None, MEASURED_PICTURE):
        raise Stop(
            INPUT_AT_FAULT,
            f"--kind {options.kind}: {options.file} is a reduced log, it has one picture,"
            f" {MEASURED_PICTURE}",
        )
    if options.changes:
        raise Stop(INPUT_AT_FAULT, f"--set changes a case, {options.file} is a result")
    if options.output is None:
        options.output = Path(f"{Path(options.file).stem}_{MEASURED_PICTURE}.png")
    check_output(options, PICTURE_SUFFIXES)
    try:
        stroke = read_reduction(options.file)
    except ResultError as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error
    from flapsim.show.rig_panels import draw_stroke

    draw_stroke(stroke, options.output)
    return True


def _calibrate(options: argparse.Namespace) -> None:
    options.overwrite = False
    check_new(options.output, _CASE_SUFFIXES, "a case")
    free = free_keys(options.free, options.within, options.prior)
    use = [name.strip() for name in options.use.split(",")] if options.use else []
    case = case_from(options.case, options.changes)
    with quick_start():
        reduction = _reduced(options.log, options.rig)
        from flapsim.faults import NoAnswer
        from flapsim.rig.calibrate import calibrate
        from flapsim.rig.corrected import write_corrected

        try:
            with compilation_said():
                calibration = calibrate(reduction, case, free, use)
        except NoAnswer as error:
            raise Stop(NO_SUCH_ANSWER, f"{case.name}: {error}") from error
    if options.output is not None:
        write_corrected(calibration, reduction, options.output)
        say(f"wrote {options.output}")
    if options.json:
        print_json(calibration.to_dict() | {"notes": list(reduction.notes)})
        return
    from flapsim.show.rig_tables import calibration_table

    print(calibration_table(calibration, reduction.notes))


def _rehearse(options: argparse.Namespace) -> None:
    check_new(options.output, (".csv",), "a log")
    if not 1 <= options.strokes <= MOST_STROKES:
        raise Stop(
            INPUT_AT_FAULT, f"--strokes {options.strokes}: a number from 1 to {MOST_STROKES}"
        )
    if options.seed < 0:
        raise Stop(INPUT_AT_FAULT, f"--seed {options.seed}: a number >= 0 expected")
    case = case_from(options.case, options.changes)
    with quick_start():
        from flapsim.faults import NoAnswer
        from flapsim.rig.rig_file import read_rig
        from flapsim.rig.simulator import rehearsed, write_log

        rig = read_rig(options.rig)
        try:
            with compilation_said():
                columns, told = rehearsed(case, rig, options.strokes, options.seed, options.clean)
        except NoAnswer as error:
            raise Stop(NO_SUCH_ANSWER, f"{case.name}: {error}") from error
    write_log(options.output, columns, told)
    say(f"wrote {options.output}")


MOST_STROKES = 100_000


def check_new(path: Path | None, suffixes: tuple[str, ...], what: str) -> None:
    """Refuse, before anything is computed, a file that exists or could not be written."""
    check_output(argparse.Namespace(output=path, overwrite=True), suffixes)
    if path is not None and path.exists():
        raise Stop(INPUT_AT_FAULT, f"{path}: exists already; {what} is never overwritten")


def free_keys(keys: str, within: Sequence[str], prior: Sequence[str]) -> list[Free]:
    """Read the arguments that say what is to be fitted.

    Parameters
    ----------
    keys : str
        Key paths, separated by commas.
    within : sequence of str
        ``KEY=LOW:HIGH``.
    prior : sequence of str
        ``KEY=SPREAD``.

    Raises
    ------
    Stop
        With a sentence on the first argument that cannot be read or names a key that is not freed.
    """
    from flapsim.rig.calibrate import Free

    names = [key.strip() for key in keys.split(",")]
    if not all(re.fullmatch(r"[\w-]+(\.[\w-]+)*", name) for name in names):
        raise Stop(INPUT_AT_FAULT, f"--free {keys}: KEY,KEY expected, such as wing.section.suction")
    bounds = _by_key("--within", within, 2, "KEY=LOW:HIGH", names)
    spreads = _by_key("--prior", prior, 1, "KEY=SPREAD", names)
    out = []
    for name in names:
        low, high = bounds.get(name, (-math.inf, math.inf))
        out.append(Free(name, low, high, spreads[name][0] if name in spreads else None))
    return out


def _by_key(
    option: str, texts: Sequence[str], count: int, form: str, names: Sequence[str]
) -> dict[str, list[float]]:
    out = {}
    for text in texts:
        key, _, value = (part.strip() for part in text.partition("="))
        try:
            numbers = [float(part) for part in value.split(":")]
        except ValueError:
            numbers = []
        if len(numbers) != count:
            raise Stop(INPUT_AT_FAULT, f"{option} {text}: {form} expected")
        if key not in names:
            raise Stop(INPUT_AT_FAULT, f"{option} {text}: {key} is not among the keys of --free")
        out[key] = numbers
    return out
