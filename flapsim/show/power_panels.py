"""Where the watts go: from the power given to the air to thrust, step by step.

Answers: of the power that a segment gives to the air, how much stays in the wake, how much goes
into friction and separation, and what is left as thrust times airspeed?
"""

from __future__ import annotations

import math
from typing import NamedTuple

import matplotlib.patheffects as effects
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from flapsim.cycle.simulate import Cycle
from flapsim.show.style import BOTH, FADED, INK, INNER, OUTER, finite_range, number


class Split(NamedTuple):
    """Mean powers of the wing or of a segment, both wings together, W."""

    name: str
    color: str
    given: float
    wake: float
    profile: float
    thrust: float


# Fill of the four rows: what goes in and comes out is solid, what is lost is hatched.
_ROWS = (
    ("given to the air", ""),
    ("left in the wake", "////"),
    ("friction and\nseparation", "xxxx"),
    ("thrust × airspeed", ""),
)


def splits(cycle: Cycle) -> list[Split]:
    """Return the split of the whole wing, then of each segment where there are two."""
    airspeed = cycle.case.flight.airspeed_m_s
    out = [_split("the whole wing", BOTH.color, cycle.mean, airspeed)]
    if len(cycle.segments) < 2:
        return out
    for name, line in (("inner", INNER), ("outer", OUTER)):
        out.append(_split(f"{name} segments", line.color, cycle.segments[name], airspeed))
    return out


def _split(name: str, color: str, mean: dict[str, float], airspeed: float) -> Split:
    return Split(
        name,
        color,
        mean["aero_power_w"],
        mean["wake_loss_w"],
        mean["profile_loss_w"],
        mean["thrust_n"] * airspeed,
    )


def watts(
    axes: Axes,
    split: Split,
    scale: tuple[float, float],
    named: bool = True,
    shares: bool = False,
) -> None:
    """Step from the power given to the air down to what becomes thrust, as horizontal bars.

    Parameters
    ----------
    axes : Axes
        Where to draw.
    split : Split
        What to draw.
    scale : (low, high)
        Ends of the axis in W, the same for all panels that are to be compared.
    named : bool
        Whether the rows are named on the left.
    shares : bool
        Whether to add what part of the power given to the air each row is.
    """
    after_wake = split.given - split.wake
    bars = (
        (0.0, split.given),
        (split.given, after_wake),
        (after_wake, after_wake - split.profile),
        (0.0, split.thrust),
    )
    values = (split.given, split.wake, split.profile, split.thrust)
    low, high = _room(scale)
    width = high - low
    size = max(abs(edge) for edge in scale)
    for row, ((begin, end), value, (_, hatch)) in enumerate(zip(bars, values, _ROWS, strict=True)):
        if not (math.isfinite(begin) and math.isfinite(end)):
            axes.text(0.0, row, " no value", va="center", fontsize=8.5)
            continue
        axes.barh(
            row, end - begin, left=begin, height=0.62, zorder=3,
            facecolor=split.color if not hatch else "white",
            edgecolor=split.color, hatch=hatch, linewidth=1.0,
        )  # fmt: skip
        if row < 3:
            axes.plot([end, end], [row, row + 1], color=FADED, linewidth=0.8, zorder=2)
        text = f"{number(value, size)} W"
        if shares and row and split.given > 0.0:
            text += f" ({100.0 * value / split.given:.0f} %)".replace("-", "−")
        axes.text(
            max(begin, end) + 0.015 * width, row, text,
            va="center", ha="left", fontsize=8.5, zorder=6,
            path_effects=[effects.withStroke(linewidth=2.5, foreground="white")],
        )  # fmt: skip
    axes.axvline(0.0, color=INK, linewidth=0.9, zorder=5)
    axes.set_xlim(low, high)
    axes.set_ylim(3.6, -0.6)
    axes.set_yticks(range(4), [text for text, _ in _ROWS] if named else [""] * 4)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.xaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    axes.set_xlabel("mean power (W)")


def _room(scale: tuple[float, float]) -> tuple[float, float]:
    """Ends of the axis, with room for the label beside the longest bar."""
    low, high = finite_range(scale, 0.0)
    width = (high - low) or 1.0
    return low - 0.04 * width, high + 0.58 * width


def bar_ends(every: list[Split]) -> tuple[float, float]:
    """Leftmost and rightmost end of any bar, W."""
    return finite_range(
        0.0,
        [s.given for s in every],
        [s.given - s.wake for s in every],
        [s.given - s.wake - s.profile for s in every],
        [s.thrust for s in every],
    )
