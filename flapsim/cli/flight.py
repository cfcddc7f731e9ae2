"""Commands about flight: trim and power.

Thin, as all of the command line: read the arguments, call the package, print.
"""

from __future__ import annotations

import argparse
import math
import textwrap
from collections.abc import Callable
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
    changes_from,
    check_output,
    compilation_said,
    print_json,
    quick_start,
    say,
    take_changes,
    take_json,
    take_output,
)
from flapsim.quantities import finite_or_none

if TYPE_CHECKING:
    from flapsim.case import Case
    from flapsim.flight.glide_takeoff import Glide, TakeOff
    from flapsim.flight.power_curve import PowerCurve
    from flapsim.flight.trim import Trim

__all__ = ["add_flight_commands"]

_SHORT_LIST = 8


def add_flight_commands(commands: Any) -> None:
    """Add the commands of this module to the command line.

    Parameters
    ----------
    commands : argparse subparsers
        Those of the command line.
    """
    trim = add_command(
        commands,
        "trim",
        _trim,
        "find the state in which a craft flies steadily, or say why it cannot",
        "flapsim trim cases/glasshouse.toml --free flight.pitch_deg,stroke.frequency_hz",
    )
    trim.add_argument("case", metavar="CASE", help="case file (.toml)")
    take_changes(trim)
    _take_free(trim)
    trim.add_argument("--climb", metavar="DEG", type=float, help="climb angle of the path [case]")
    mode = trim.add_mutually_exclusive_group()
    mode.add_argument("--glide", action="store_true", help="wings held; pitch and path angle free")
    mode.add_argument(
        "--full",
        metavar="KEY=VALUE",
        action="append",
        default=[],
        help="take-off: thrust and climb left at full stroke, as stroke.frequency_hz=3.6;"
        " repeatable",
    )
    take_json(trim)
    trim.add_argument("--series", action="store_true", help="with --json: every series too")
    take_output(trim, "result file to write, HDF5 (.h5)")

    power = add_command(
        commands,
        "power",
        _power,
        "find the power of steady flight over airspeed, climb or mass",
        "flapsim power cases/glasshouse.toml --speeds 4:9:11 --figure power.png",
    )
    power.add_argument("case", metavar="CASE", help="case file (.toml)")
    take_changes(power)
    span = power.add_mutually_exclusive_group(required=True)
    for name, what in (("speeds", "airspeeds, m/s"), ("climbs", "climb angles, deg"),
                       ("masses", "masses, kg")):  # fmt: skip
        span.add_argument(f"--{name}", metavar="FROM:TO:COUNT", help=what)
    _take_free(power)
    power.add_argument(
        "--available",
        metavar="W",
        type=float,
        help="power there is [ten times the battery's capacity per hour]",
    )
    power.add_argument("--figure", metavar="FILE", type=Path, help="picture to draw")
    take_json(power)
    take_output(power, "result file to write, HDF5 (.h5)")


def _take_free(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--free",
        metavar="KEY,KEY",
        help="free quantities; keys joined by + move together [pitch and plunge amplitude]",
    )
    parser.add_argument(
        "--hold",
        metavar="NAMES",
        help="balances held, of lift,thrust,pitching_moment [as many as are free]",
    )
    parser.add_argument(
        "--bound",
        metavar="KEY=LOW:HIGH",
        action="append",
        default=[],
        help="range of a free key, as flight.pitch_deg=-5:15; repeatable",
    )


def _names(text: str | None) -> tuple[str, ...] | None:
    return None if text is None else tuple(part.strip() for part in text.split(",") if part.strip())


def _bounds(texts: list[str]) -> dict[str, tuple[float, float]]:
    out = {}
    for text in texts:
        key, _, span = text.partition("=")
        low, colon, high = span.partition(":")
        try:
            out[key.strip()] = (_number(low), _number(high))
        except ValueError:
            colon = ""
        if not colon:
            raise Stop(
                INPUT_AT_FAULT,
                f"--bound {text}: KEY=LOW:HIGH expected, such as flight.pitch_deg=-5:15",
            )
    return out


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def _write(write: Callable[[Any, Path], None], what: Any, path: Path) -> None:
    from flapsim.cycle.files import ResultError

    try:
        write(what, path)
    except ResultError as error:
        raise Stop(INPUT_AT_FAULT, str(error)) from error
    say(f"wrote {path}")


# --- trim --------------------------------------------------------------------------------------


def _trim(options: argparse.Namespace) -> None:
    if options.series and not options.json:
        raise Stop(INPUT_AT_FAULT, "--series goes with --json; a table has no room for series")
    own = options.free is not None or options.hold is not None
    if own and (options.glide or options.full):
        raise Stop(INPUT_AT_FAULT, "--glide and --full choose what is free themselves, no --free")
    check_output(options, RESULT_SUFFIXES)
    case = case_from(options.case, options.changes)
    if options.climb is not None:
        case = case.replace({"flight.climb_deg": options.climb})
    bounds = _bounds(options.bound)
    with quick_start():
        from flapsim.faults import NoAnswer
        from flapsim.flight.files import write_trim
        from flapsim.flight.glide_takeoff import glide, take_off
        from flapsim.flight.power_curve import default_free
        from flapsim.flight.trim import trim

        try:
            with compilation_said():
                if options.full:
                    _tell_take_off(options, take_off(case, _numbers(options.full)))
                    return
                gliding = glide(case, bounds or None) if options.glide else None
                found = gliding.trim if gliding is not None else trim(
                    case, _names(options.free) or default_free(case), _names(options.hold),
                    bounds=bounds or None,
                )  # fmt: skip
        except NoAnswer as error:
            raise Stop(NO_SUCH_ANSWER, f"{case.name}: {error}") from error
    if options.output is not None:
        _write(write_trim, found, options.output)
    _tell_trim(options, found, gliding)


def _numbers(texts: list[str]) -> dict[str, float]:
    return dict(changes_from(texts))


def _tell_trim(options: argparse.Namespace, found: Trim, gliding: Glide | None) -> None:
    if options.json:
        document = found.to_dict(series=options.series)
        if gliding is not None:
            document["glide"] = {
                "angle_deg": gliding.angle_deg,
                "sink_rate_m_s": gliding.sink_rate_m_s,
                "glide_ratio": finite_or_none(gliding.glide_ratio),
                "verdict": gliding.verdict,
            }
        print_json(document)
        return
    from flapsim.show.tables import WIDTH, cycle_table

    for verdict in (found.verdict, *([gliding.verdict] if gliding is not None else [])):
        print(textwrap.fill(verdict, WIDTH) + "\n")
    print(cycle_table(found.cycle))
    if found.sensitivities:
        print("\nWhat the trimmed power depends on (balances kept)")
        for entry in found.sensitivities[:_SHORT_LIST]:
            print(f"  {entry.key:<44} {entry.change:+9.3g}  {1e3 * entry.power_w:+9.3g} mW")
    print(f"\n{found.hazard.text}")


def _tell_take_off(options: argparse.Namespace, found: TakeOff) -> None:
    if options.output is not None:
        from flapsim.cycle.files import write_cycle

        _write(write_cycle, found.cycle, options.output)
    if not options.json:
        from flapsim.show.tables import WIDTH

        print(textwrap.fill(found.verdict, WIDTH))
        return
    print_json(
        {
            "verdict": found.verdict,
            "margin": found.margin,
            "climb_deg": finite_or_none(found.climb_deg),
            "climb_rate_m_s": finite_or_none(found.climb_rate_m_s),
            "watts": finite_or_none(found.watts),
        }
    )


# --- power -------------------------------------------------------------------------------------


_SWEPT = (
    ("speeds", "flight.airspeed_m_s"),
    ("climbs", "flight.climb_deg"),
    ("masses", "craft.mass_kg"),
)


def _power(options: argparse.Namespace) -> None:
    check_output(options, RESULT_SUFFIXES)
    _check_figure(options)
    name, key = next(pair for pair in _SWEPT if getattr(options, pair[0]) is not None)
    values = _span(name, getattr(options, name))
    case = case_from(options.case, options.changes)
    bounds = _bounds(options.bound)
    with quick_start():
        from flapsim.flight.files import write_power_curve
        from flapsim.flight.power_curve import plain_curve, power_curve

        with compilation_said():
            curve = power_curve(
                case, values, key, _names(options.free), _names(options.hold), options.available,
                bounds or None,
            )  # fmt: skip
    if not curve.trimmed.trimmed.any():
        raise Stop(NO_SUCH_ANSWER, f"{case.name}: {' '.join(curve.notes)}")
    if options.output is not None:
        _write(write_power_curve, curve, options.output)
    if options.figure is not None:
        from flapsim.show.power_curve import draw_power_curve

        draw_power_curve(curve, options.figure)
        say(f"wrote {options.figure}")
    if options.json:
        print_json(plain_curve(curve))
    else:
        print(power_table(case, curve))


def _check_figure(options: argparse.Namespace) -> None:
    if options.figure is not None:
        wanted = argparse.Namespace(output=options.figure, overwrite=options.overwrite)
        check_output(wanted, PICTURE_SUFFIXES)


def _span(name: str, text: str) -> list[float]:
    """Values of FROM:TO:COUNT, equally far apart."""
    try:
        first, last, count = text.split(":")
        low, high, number = _number(first), _number(last), int(count)
    except ValueError:
        number = 0
    if number < 3 or not low < high:
        raise Stop(
            INPUT_AT_FAULT,
            f"--{name} {text}: FROM:TO:COUNT expected, FROM < TO and COUNT >= 3, such as 4:9:11",
        )
    return [low + (high - low) * i / (number - 1) for i in range(number)]


def power_table(case: Case, curve: PowerCurve) -> str:
    """A power curve for a reader at the terminal.

    Parameters
    ----------
    case : Case
        The craft.
    curve : PowerCurve
        Its power curve.

    Returns
    -------
    str
    """
    from flapsim.show.tables import WIDTH

    lines = [case.title, ""]
    leads = [name.split("+")[0] for name in curve.trimmed.free]
    columns = [_name_and_unit(key) for key in (curve.key, *leads)]
    for place in (0, 1):
        wide = [f"{column[place][:9]:>9}" for column in columns]
        lines.append(" ".join([*wide, *(f"{column[place]:>5}" for column in _SLIM)]).rstrip())
    for i, value in enumerate(curve.values):
        if not curve.trimmed.trimmed[i]:
            lines += textwrap.wrap(
                f"{value:9.4g} {curve.trimmed.reason(i)}", WIDTH,
                drop_whitespace=True, subsequent_indent=" " * 10, initial_indent="",
            )  # fmt: skip
            continue
        results, taken = curve.trimmed.results, curve.watts
        wide = [f"{x:9.4g}" for x in (value, *(curve.trimmed.solution[key][i] for key in leads))]
        slim = [
            results["mean.aero_power_w"][i], taken["shaft_power_w"][i],
            taken["electrical_power_w"][i], 100.0 * curve.used[i],
            100.0 * results["check.stalled_fraction"][i], curve.climb_rate_m_s[i],
            curve.endurance_s[i] / 60.0, curve.range_m[i] / 1000.0,
        ]  # fmt: skip
        lines.append(" ".join([*wide, *(_cell(x) for x in slim)]))
    lines.append("")
    for name, point in curve.points.items():
        if math.isfinite(point.value):
            lines.append(
                f"{name.replace('_', ' ')}: {point.value:.4g} {columns[0][1]},"
                f" {point.power_w:.4g} W {curve.power_kind}"
            )
    if curve.used.max() > 0.0:
        lines += textwrap.wrap(
            "limit: largest part used of available power"
            + (", battery voltage and motor current" if case.drive is not None else "")
            + "; what is beyond 100 % cannot be flown.",
            WIDTH,
        )
    return "\n".join([*lines, *(line for note in curve.notes for line in _listed(note))])


_SLIM = (
    ("aero", "W"), ("shaft", "W"), ("elec", "W"), ("limit", "%"), ("stall", "%"),
    ("climb", "m/s"), ("time", "min"), ("range", "km"),
)  # fmt: skip
_ENDINGS = (("_m_s", "m/s"), ("_deg", "deg"), ("_hz", "Hz"), ("_kg", "kg"), ("_m2", "m²"),
            ("_m", "m"))  # fmt: skip


def _name_and_unit(key: str) -> tuple[str, str]:
    last = key.rpartition(".")[2]
    for ending, unit in _ENDINGS:
        if last.endswith(ending):
            return last.removesuffix(ending).replace("_", " "), unit
    return last.replace("_", " "), ""


def _listed(note: str) -> list[str]:
    from flapsim.show.tables import WIDTH

    return textwrap.wrap(note, WIDTH, initial_indent="  - ", subsequent_indent="    ")


def _cell(value: float) -> str:
    if not math.isfinite(value):
        return f"{'-':>5}"
    return f"{value:5.0f}" if abs(value) >= 99.95 else f"{value:5.3g}"
