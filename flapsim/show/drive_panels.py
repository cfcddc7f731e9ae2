"""Figures of drive and structure: the chain of powers, and the loads along the wing."""

from __future__ import annotations

import math
from pathlib import Path

import matplotlib.patheffects as effects
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from flapsim.cycle.simulate import Cycle
from flapsim.drive.limits import drive_refusal
from flapsim.flight.loads import SpanLoads
from flapsim.flight.power_chain import PowerChain
from flapsim.quantities import SPAN_LOADS
from flapsim.show.phase_panels import Curve, name_strokes, phase_axis, shade_downstroke, trace
from flapsim.show.style import BOTH, FADED, INK, INNER, OUTER, blank_figure, number, save, styled

_ROW = 0.27


def draw_chain(cycle: Cycle, chain: PowerChain, path: str | Path) -> None:
    """Draw the chain of powers from the battery to the thrust into a file."""
    rows = len(chain.links)
    top, left, width = 0.78, 2.15, 5.2
    height = top + _ROW * rows + 0.55
    with styled():
        what = "Mean power from the battery to the thrust"
        if cycle.drive is not None and drive_refusal(cycle.drive, chain.means):
            what += "; beyond the limits of this drive"
        page = _page(8.0, height, cycle, what)
        axes = page.add_axes(
            (left / 8.0, 0.55 / height, width / 8.0, _ROW * rows / height),
        )
        _steps(axes, chain)
    save(page, path)


def _page(width: float, height: float, cycle: Cycle, what: str) -> Figure:
    page = blank_figure(width, height)
    left = 0.15 / width
    page.text(left, 1.0 - 0.2 / height, cycle.case.title, fontsize=12, weight="bold", va="center")
    page.text(left, 1.0 - 0.43 / height, what, fontsize=9.0, color=FADED, va="center")
    return page


def _steps(axes: Axes, chain: PowerChain) -> None:
    """Solid bars for the power at each step, hatched ones for what leaves between two of them."""
    largest = max((link.power for link in chain.links if math.isfinite(link.power)), default=1.0)
    passed = math.nan
    for row, link in enumerate(chain.links):
        if not math.isfinite(link.power):
            axes.text(0.0, row, " no value", va="center", fontsize=8.5)
            continue
        begin = passed - link.power if link.loss and math.isfinite(passed) else 0.0
        passed = begin if link.loss else link.power
        axes.barh(
            row, link.power, left=begin, height=0.62, zorder=3, linewidth=1.0,
            facecolor="white" if link.loss else BOTH.color,
            edgecolor=OUTER.color if link.loss else BOTH.color,
            hatch="////" if link.loss else "",
        )  # fmt: skip
        axes.text(
            begin + max(link.power, 0.0) + 0.012 * largest, row, f"{number(link.power, largest)} W",
            va="center", fontsize=8.5, zorder=6, color=OUTER.ink if link.loss else INK,
            path_effects=[effects.withStroke(linewidth=2.5, foreground="white")],
        )  # fmt: skip
    axes.axvline(0.0, color=INK, linewidth=0.9, zorder=5)
    low = min(0.0, *(link.power for link in chain.links if math.isfinite(link.power)))
    axes.set_xlim(1.05 * low, 1.16 * largest)
    axes.set_ylim(len(chain.links) - 0.4, -0.6)
    axes.set_yticks(range(len(chain.links)), [link.name for link in chain.links])
    for tick, link in zip(axes.get_yticklabels(), chain.links, strict=True):
        tick.set_color(OUTER.ink if link.loss else INK)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel("mean power (W)")


_SHOWN = (
    ("flap_bending_n_m", "Flap bending"),
    ("in_plane_bending_n_m", "In-plane bending"),
    ("torsion_n_m", "Torsion"),
)
_PHASES = 8


def draw_loads(cycle: Cycle, loads: SpanLoads, path: str | Path) -> None:
    """Draw bending and torsion along the wing and through the stroke into a file."""
    width, top, tall, gap = 10.0, 0.95, 1.9, 0.5
    height = top + 3 * tall + 2 * gap + 0.55
    with styled():
        page = _page(
            width, height, cycle,
            "Loads of the starboard wing from air, inertia and weight, in the axes of each segment",
        )  # fmt: skip
        for row, (name, title) in enumerate(_SHOWN):
            bottom = 1.0 - (top + row * (tall + gap) + tall) / height
            along = page.add_axes((0.8 / width, bottom, 3.6 / width, tall / height))
            through = page.add_axes((5.35 / width, bottom, 3.6 / width, tall / height))
            _along_span(along, loads, name, title, last=row == 2)
            _through_stroke(through, cycle, loads, name, last=row == 2)
            if row == 0:
                name_strokes(through, cycle)
            for axes in (along, through):
                axes.yaxis.set_label_coords(-0.12, 0.5)
    save(page, path)


def _along_span(axes: Axes, loads: SpanLoads, name: str, title: str, last: bool) -> None:
    """The band that the stroke sweeps over, its mean, and eight instants."""
    values = 1e3 * loads.cuts[name]
    instants = np.arange(_PHASES) * (loads.phase.size // _PHASES)
    for segment, line in ((0, INNER), (1, OUTER)):
        here = loads.segment == segment
        if not here.any():
            continue
        span = 1e3 * loads.span_position[here]
        axes.fill_between(
            span, values[here].min(axis=1), values[here].max(axis=1),
            color=line.color, alpha=0.18, linewidth=0.0, zorder=1,
        )  # fmt: skip
        axes.plot(span, values[here][:, instants], color=line.color, linewidth=0.5, zorder=2)
        axes.plot(span, values[here].mean(axis=1), color=line.ink, linewidth=1.8, zorder=3)
        if last:
            axes.annotate(
                ("inner", "outer")[segment], (0.5 * (span[0] + span[-1]), 0.0),
                xycoords=("data", "axes fraction"), xytext=(0, 4), textcoords="offset points",
                ha="center", fontsize=8.5, color=line.ink,
            )  # fmt: skip
    axes.axhline(0.0, color=FADED, linewidth=0.6, zorder=1)
    axes.set_title(f"{title}: range, mean and {_PHASES} instants")
    axes.set_ylabel(f"{_axis_words(name)}\n(N mm)")
    axes.set_xlim(0.0, 1e3 * float(loads.span_position[-1]))
    axes.tick_params(axis="x", labelbottom=last)
    if last:
        axes.set_xlabel("distance from the plane of symmetry (mm)")


def _axis_words(name: str) -> str:
    return SPAN_LOADS[name].long_name.rpartition(", ")[2]


def _through_stroke(axes: Axes, cycle: Cycle, loads: SpanLoads, name: str, last: bool) -> None:
    curves = [Curve("shoulder", 1e3 * loads.cuts[name][0], INNER)]
    if loads.wrist is not None:
        wrist = int(np.argmax(loads.segment == 1))
        curves.append(Curve("wrist", 1e3 * loads.cuts[name][wrist], OUTER))
    shade_downstroke(axes, cycle)
    trace(axes, curves, loads.phase)
    axes.set_ylabel("moment (N mm)")
    phase_axis(axes, labelled=last)
