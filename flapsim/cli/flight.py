"""Commands on steady flight: trim and power."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flapsim.cli import console
from flapsim.quantities import finite_or_none
from flapsim.show.text import wrapped

if TYPE_CHECKING:
    from flapsim.flight.glide_takeoff import Glide, TakeOff
    from flapsim.flight.trim import Trim

_SHORT_LIST = 8
_MOST_POINTS = 1000


def add_flight_commands(commands: Any) -> None:
    """Add the commands of this module to the command line (argparse subparsers)."""
    trim = console.add_command(
        commands,
        "trim",
        _trim,
        "find the state of steady flight, or the reason why there is none",
        "flapsim trim cases/glasshouse.toml --free flight.pitch_deg,stroke.frequency_hz",
    )
    console.take_case(trim)
    _take_free(trim)
    trim.add_argument("--climb", metavar="DEG", type=float, help="climb angle of the path [case]")
    mode = trim.add_mutually_exclusive_group()
    mode.add_argument("--glide", action="store_true", help="wings still; pitch and path angle free")
    mode.add_argument(
        "--full",
        metavar="KEY=VALUE",
        action="append",
        default=[],
        help="excess thrust and climb at full stroke, such as stroke.frequency_hz=3.6; repeatable",
    )
    console.take_series(trim)
    console.take_output(trim, "result file to write, HDF5 (.h5)")

    power = console.add_command(
        commands,
        "power",
        _power,
        "compute the power of steady flight over airspeed, climb or mass",
        "flapsim power cases/glasshouse.toml --speeds 4:9:11 --figure power.png",
    )
    console.take_case(power)
    span = power.add_mutually_exclusive_group(required=True)
    for name, what in (("speeds", "airspeeds, m/s"), ("climbs", "climb angles, deg"),
                       ("masses", "masses, kg")):  # fmt: skip
        span.add_argument(f"--{name}", metavar="FROM:TO:COUNT", help=what)
    _take_free(power)
    power.add_argument(
        "--available",
        metavar="W",
        type=console.positive_number,
        help="available power [ten times the battery's capacity per hour]",
    )
    power.add_argument(
        "--figure", metavar="FILE", type=Path, help="figure to write: .png, .svg or .pdf"
    )
    console.take_output(power, "result file to write, HDF5 (.h5)")


def _take_free(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--free",
        metavar="KEY,KEY",
        help="free quantities; keys joined by + move together [pitch and plunge amplitude]",
    )
    parser.add_argument(
        "--hold",
        metavar="NAMES",
        help="balances to enforce: lift,thrust,pitching_moment [as many as are free]",
    )
    parser.add_argument(
        "--bound",
        metavar="KEY=LOW:HIGH",
        action="append",
        default=[],
        help="range of a free key, such as flight.pitch_deg=-5:15; repeatable",
    )


def _write(write: Callable[[Any, Path], None], what: Any, path: Path) -> None:
    from flapsim.cycle.files import ResultError

    with console.refusing(ResultError):
        write(what, path)
    console.say(f"wrote {path}")


def _names(option: str, text: str | None) -> tuple[str, ...] | None:
    if text is None:
        return None
    names = tuple(part.strip() for part in text.split(","))
    if not all(names):
        raise console.Stop(
            console.INPUT_AT_FAULT, f"--{option}: expected names joined by commas, found {text!r}"
        )
    return names


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
            raise console.Stop(
                console.INPUT_AT_FAULT,
                f"--bound: expected KEY=LOW:HIGH, such as flight.pitch_deg=-5:15; found {text}",
            )
    return out


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


# --- trim --------------------------------------------------------------------------------------


def _trim(options: argparse.Namespace) -> None:
    console.check_series(options)
    own = options.free is not None or options.hold is not None
    if own and (options.glide or options.full):
        raise console.Stop(
            console.INPUT_AT_FAULT,
            "--glide and --full choose the free quantities; leave out --free and --hold",
        )
    if options.climb is not None and (options.glide or options.full):
        raise console.Stop(
            console.INPUT_AT_FAULT, "--glide and --full find the path angle; leave out --climb"
        )
    free, hold = _names("free", options.free), _names("hold", options.hold)
    console.check_output(options, console.RESULT_SUFFIXES)
    case = console.case_from(options.case, options.changes)
    if options.climb is not None:
        case = case.replace({"flight.climb_deg": options.climb})
    bounds = _bounds(options.bound)
    with console.solving(case):
        from flapsim.flight.files import write_trim
        from flapsim.flight.glide_takeoff import glide, take_off
        from flapsim.flight.trim import trim

        if options.full:
            _print_take_off(options, take_off(case, dict(console.changes_from(options.full))))
            return
        gliding = glide(case, bounds or None) if options.glide else None
        found = gliding.trim if gliding is not None else trim(
            case, free, hold, bounds=bounds or None,
        )  # fmt: skip
    if options.output is not None:
        _write(write_trim, found, options.output)
    _print_trim(options, found, gliding)


def _print_trim(options: argparse.Namespace, found: Trim, gliding: Glide | None) -> None:
    if options.json:
        document = found.to_dict(series=options.series)
        if gliding is not None:
            document["glide"] = {
                "angle_deg": gliding.angle_deg,
                "sink_rate_m_s": gliding.sink_rate_m_s,
                "glide_ratio": finite_or_none(gliding.glide_ratio),
                "verdict": gliding.verdict,
            }
        console.print_json(document)
        return
    from flapsim.show.tables import cycle_table

    for verdict in (found.verdict, *([gliding.verdict] if gliding is not None else [])):
        print("\n".join(wrapped(verdict)) + "\n")
    print(cycle_table(found.cycle))
    if found.sensitivities:
        print("\nSensitivity of the trimmed power (balances kept)")
        for entry in found.sensitivities[:_SHORT_LIST]:
            print(f"  {entry.key:<44} {entry.change:+9.3g}  {1e3 * entry.power_w:+9.3g} mW")
    print(f"\n{found.hazard.text}")


def _print_take_off(options: argparse.Namespace, found: TakeOff) -> None:
    if options.output is not None:
        from flapsim.cycle.files import write_cycle

        _write(write_cycle, found.cycle, options.output)
    if not options.json:
        print("\n".join(wrapped(found.verdict)))
        return
    console.print_json(
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
    console.check_output(options, console.RESULT_SUFFIXES)
    if options.figure is not None:
        figure = argparse.Namespace(output=options.figure, overwrite=options.overwrite)
        console.check_output(figure, console.PICTURE_SUFFIXES)
    name, key = next(pair for pair in _SWEPT if getattr(options, pair[0]) is not None)
    values = _span(name, getattr(options, name))
    free, hold = _names("free", options.free), _names("hold", options.hold)
    case = console.case_from(options.case, options.changes)
    bounds = _bounds(options.bound)
    with console.solving(case):
        from flapsim.flight.files import write_power_curve
        from flapsim.flight.power_curve import plain_curve, power_curve

        curve = power_curve(
            case, values, key, free, hold, options.available, bounds or None,
        )  # fmt: skip
    if not curve.trimmed.trimmed.any():
        raise console.Stop(console.NO_SUCH_ANSWER, f"{case.name}: {' '.join(curve.notes)}")
    if options.output is not None:
        _write(write_power_curve, curve, options.output)
    if options.figure is not None:
        from flapsim.show.power_curve import draw_power_curve

        draw_power_curve(curve, options.figure)
        console.say(f"wrote {options.figure}")
    if options.json:
        console.print_json(plain_curve(curve))
    else:
        from flapsim.show.power_tables import power_table

        print(power_table(curve))


def _span(name: str, text: str) -> list[float]:
    """Values of FROM:TO:COUNT, equally far apart."""
    try:
        first, last, count = text.split(":")
        low, high, number = _number(first), _number(last), int(count)
    except ValueError:
        number = 0
    if not 3 <= number <= _MOST_POINTS or not low < high:
        raise console.Stop(
            console.INPUT_AT_FAULT,
            f"--{name}: expected FROM:TO:COUNT with FROM < TO and COUNT from 3 to {_MOST_POINTS},"
            f" such as 4:9:11; found {text}",
        )
    return [low + (high - low) * i / (number - 1) for i in range(number)]
