"""Commands about measurements: reduce, calibrate and rehearse.

Parse, call, print; nothing is computed here.
"""

from __future__ import annotations

import argparse
import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flapsim.cli import console

if TYPE_CHECKING:
    from flapsim.rig.calibrate import Free
    from flapsim.rig.compare import Comparison
    from flapsim.rig.reduction import Reduction

MEASURED_PICTURE = "measured"
"""Name of the figure of a reduced log."""

MOST_STROKES = 100_000


def add_rig_commands(commands: Any) -> None:
    """Add the commands of this module to the subparsers of the command line."""
    reduce_ = console.add_command(
        commands,
        "reduce",
        _reduce,
        "account for every watt of a measured stroke, with its uncertainty",
        "flapsim reduce cases/rig/bench_log.csv --rig cases/rig/bench.toml"
        " --against cases/glasshouse.toml",
    )
    reduce_.add_argument("log", metavar="LOG", help="log of the rig (.csv), of any size")
    _take_rig(reduce_)
    reduce_.add_argument("--against", metavar="CASE", help="case file to compare the log with")
    console.take_changes(reduce_)
    console.take_json(reduce_)
    console.take_series(reduce_)
    reduce_.add_argument(
        "--figure", metavar="FILE", type=Path, help="figure to draw: .png, .svg or .pdf"
    )
    console.take_output(reduce_, "result file to write, HDF5 (.h5)")

    calibrate = console.add_command(
        commands,
        "calibrate",
        _calibrate,
        "fit keys of a case to a log, and name those that the log does not determine",
        "flapsim calibrate cases/glasshouse.toml --log cases/rig/bench_log.csv"
        " --rig cases/rig/bench.toml --free wing.section.friction_factor -o fitted.toml",
    )
    console.take_case(calibrate)
    calibrate.add_argument("--log", metavar="LOG", required=True, help="log of the rig (.csv)")
    _take_rig(calibrate)
    calibrate.add_argument(
        "--free", metavar="KEY,KEY", required=True, help="keys of the case to fit"
    )
    calibrate.add_argument(
        "--within", metavar="KEY=LOW:HIGH", action="append", default=[],
        help="bounds of a free key; repeatable",
    )  # fmt: skip
    calibrate.add_argument(
        "--prior", metavar="KEY=UNCERTAINTY", action="append", default=[],
        help="standard uncertainty of a free key as given in the case; repeatable",
    )  # fmt: skip
    calibrate.add_argument(
        "--use", metavar="NAME,NAME",
        help="fit only to these of lift, thrust, torque, current, voltage",
    )  # fmt: skip
    calibrate.add_argument(
        "-o", "--output", metavar="FILE", type=Path, help="new case file to write (.toml)"
    )

    rehearse = console.add_command(
        commands,
        "rehearse",
        _rehearse,
        "write the log that a rig would record of a case, to try a rig file without the rig",
        "flapsim rehearse cases/glasshouse.toml --rig cases/rig/bench.toml -o rehearsed.csv",
    )
    rehearse.add_argument("case", metavar="CASE", help="case file (.toml)")
    console.take_changes(rehearse)
    _take_rig(rehearse)
    rehearse.add_argument(
        "--strokes", metavar="N", type=int, default=40, help="length of the log [40]"
    )
    rehearse.add_argument(
        "--seed", metavar="N", type=int, default=0, help="seed of the random numbers [0]"
    )
    rehearse.add_argument(
        "--clean", action="store_true", help="no noise, sensor errors or missing rows"
    )
    rehearse.add_argument(
        "-o", "--output", metavar="FILE", type=Path, required=True, help="new log to write (.csv)"
    )


def _take_rig(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--rig", metavar="RIG", required=True, help="rig file (.toml)")


def _reduce(options: argparse.Namespace) -> None:
    console.check_series(options)
    if options.changes and not options.against:
        raise console.Stop(console.INPUT_AT_FAULT, "--set needs --against: it changes that case")
    console.check_output(options, console.RESULT_SUFFIXES)
    picture = argparse.Namespace(output=options.figure, overwrite=options.overwrite)
    console.check_output(picture, console.PICTURE_SUFFIXES)
    comparison = None
    if options.against:
        case = console.case_from(options.against, options.changes)
        with console.solving(case):
            from flapsim.rig.compare import compare

            reduction = _reduced(options)
            comparison = compare(reduction, case)
    else:
        with console.quick_start():
            reduction = _reduced(options)
    if options.output is not None:
        _write(reduction, comparison, options.output)
    if options.figure is not None:
        from flapsim.rig.files import measured_stroke
        from flapsim.show.rig_panels import draw_stroke

        draw_stroke(measured_stroke(reduction, comparison), options.figure)
        console.say_written(options.figure, MEASURED_PICTURE)
    if options.json:
        document = reduction.to_dict(series=options.series)
        if comparison is not None:
            document["against"] = comparison.to_dict()
        console.print_json(document)
        return
    from flapsim.show.rig_tables import reduction_table

    print(reduction_table(reduction, comparison))


def _reduced(options: argparse.Namespace) -> Reduction:
    from flapsim.rig.reduction import reduce_log
    from flapsim.rig.rig_file import read_rig

    return reduce_log(options.log, read_rig(options.rig))


def _write(reduction: Reduction, comparison: Comparison | None, path: Path) -> None:
    from flapsim.cycle.files import ResultError
    from flapsim.rig.files import write_reduction

    with console.refusing(ResultError):
        write_reduction(reduction, path, comparison)
    console.say_written(path, f"{reduction.bench.strokes.count} strokes")


def draws_reduction(options: argparse.Namespace) -> bool:
    """Draw the result of ``reduce`` for the command ``figure``, if its file is one.

    Raises
    ------
    Stop
        If the options do not go with it or the file is incomplete.
    """
    path = Path(options.file)
    if path.suffix.lower() not in console.RESULT_SUFFIXES:
        return False
    from flapsim.cycle.files import ResultError, kind_of

    if kind_of(options.file) != "reduction":
        return False
    from flapsim.rig.files import read_reduction

    if options.kind not in (None, MEASURED_PICTURE):
        raise console.Stop(
            console.INPUT_AT_FAULT,
            f"--kind: expected {MEASURED_PICTURE}, the only figure of a reduced log, found"
            f" {options.kind}",
        )
    if options.changes:
        raise console.Stop(
            console.INPUT_AT_FAULT, f"{path}: --set changes a case, not a reduced log"
        )
    if options.output is None:
        options.output = Path(f"{path.stem}_{MEASURED_PICTURE}.png")
    console.check_output(options, console.PICTURE_SUFFIXES)
    with console.refusing(ResultError):
        stroke = read_reduction(path)
    from flapsim.show.rig_panels import draw_stroke

    draw_stroke(stroke, options.output)
    return True


def _calibrate(options: argparse.Namespace) -> None:
    _check_new(options.output, ".toml", "a case")
    free = free_keys(options.free, options.within, options.prior)
    use = [name.strip() for name in options.use.split(",")] if options.use else []
    case = console.case_from(options.case, options.changes)
    with console.solving(case):
        from flapsim.rig.calibrate import calibrate
        from flapsim.rig.corrected import write_corrected

        reduction = _reduced(options)
        calibration = calibrate(reduction, case, free, use)
    if options.output is not None:
        write_corrected(calibration, reduction, options.output)
        console.say_written(options.output, "fitted case")
    if options.json:
        console.print_json(calibration.to_dict() | {"notes": list(reduction.notes)})
        return
    from flapsim.show.rig_tables import calibration_table

    print(calibration_table(calibration, reduction.notes))


def _rehearse(options: argparse.Namespace) -> None:
    _check_new(options.output, ".csv", "a log")
    if not 1 <= options.strokes <= MOST_STROKES:
        raise console.Stop(
            console.INPUT_AT_FAULT,
            f"--strokes: expected a number from 1 to {MOST_STROKES}, found {options.strokes}",
        )
    if options.seed < 0:
        raise console.Stop(
            console.INPUT_AT_FAULT, f"--seed: expected a number >= 0, found {options.seed}"
        )
    case = console.case_from(options.case, options.changes)
    with console.solving(case):
        from flapsim.rig.rig_file import read_rig
        from flapsim.rig.synthetic_log import rehearse, write_log

        rig = read_rig(options.rig)
        columns, truth = rehearse(case, rig, options.strokes, options.seed, options.clean)
    write_log(options.output, columns, truth)
    console.say_written(options.output, f"{options.strokes} strokes")


def _check_new(path: Path | None, suffix: str, what: str) -> None:
    """Refuse, before anything is computed, a file that exists or could not be written."""
    console.check_output(argparse.Namespace(output=path, overwrite=True), (suffix,))
    if path is not None and path.exists():
        raise console.Stop(
            console.INPUT_AT_FAULT,
            f"{path}: exists already, and {what} is never overwritten; choose another name",
        )


def free_keys(keys: str, within: Sequence[str], prior: Sequence[str]) -> list[Free]:
    """Read the options that say what is to be fitted.

    The keys are separated by commas; bounds are ``KEY=LOW:HIGH``, priors ``KEY=UNCERTAINTY``.

    Raises
    ------
    Stop
        On the first option that cannot be read or names a key that is not free.
    """
    from flapsim.rig.calibrate import Free

    names = [key.strip() for key in keys.split(",")]
    if not all(re.fullmatch(r"[\w-]+(\.[\w-]+)*", name) for name in names):
        raise console.Stop(
            console.INPUT_AT_FAULT,
            f"--free: expected KEY,KEY, such as wing.section.suction, found {keys}",
        )
    bounds = _by_key("--within", within, "KEY=LOW:HIGH", names)
    spreads = _by_key("--prior", prior, "KEY=UNCERTAINTY", names)
    return [
        Free(name, *bounds.get(name, (-math.inf, math.inf)), *spreads.get(name, ()))
        for name in names
    ]


def _by_key(
    option: str, texts: Sequence[str], form: str, names: Sequence[str]
) -> dict[str, list[float]]:
    """Numbers of a repeatable option that is written like `form`, by key."""
    out = {}
    for text in texts:
        key, _, value = (part.strip() for part in text.partition("="))
        try:
            numbers = [float(part) for part in value.split(":")]
        except ValueError:
            numbers = []
        if len(numbers) != len(form.split(":")):
            raise console.Stop(console.INPUT_AT_FAULT, f"{option}: expected {form}, found {text}")
        if key not in names:
            raise console.Stop(
                console.INPUT_AT_FAULT, f"{option} {text}: {key} is not among the keys of --free"
            )
        out[key] = numbers
    return out
