"""Tables of sweeps at the terminal: preview, result, chosen points, sensitivities, differences."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flapsim.quantities import printed, quantity_of

if TYPE_CHECKING:
    from flapsim.study.preview import Preview
    from flapsim.study.sensitivity import Influence
    from flapsim.study.table import SweepTable

_MOST_REASONS = 5


def preview_table(found: Preview, output: Path) -> str:
    """Size, disk space and run time of a sweep, estimated."""
    lines = [
        f"{found.points:,} points{_axes(found.axes, ' ({})')} in {found.chunks:,} chunks",
        f"{found.results} results per point, {_size(found.size)} in {output}",
        f"about {_duration(found.seconds)} on {found.workers} workers"
        f" ({found.rate:,.0f} points per second each, from a timed sample)",
    ]
    if found.needed > found.free:
        lines.append(
            f"not enough disk space: {_size(found.needed)} needed during the sweep,"
            f" {_size(found.free)} free"
        )
    if found.refused:
        lines.append(f"{found.refused} of {found.sampled} points of the sample have no answer:")
        lines += [f"  {reason}" for reason in found.reasons[:_MOST_REASONS]]
    return "\n".join(lines)


def sweep_table(table: SweepTable, computed: bool) -> str:
    """Result of a sweep: axes, status of the points, most frequent reasons."""
    number = f"{table.count:,} points"
    reasons = table.reasons()
    lines = [
        f"wrote {table.path} ({number})"
        if computed
        else f"{table.path} is already complete ({number}); nothing was computed",
        *filter(None, [_axes(table.axes, "  {}")]),
        f"  {_status(table.counts())}",
        *(f"  {n:,}: {reason}" for reason, n in list(reasons.items())[:_MOST_REASONS]),
    ]
    if len(reasons) > _MOST_REASONS:
        lines.append(f"  and {len(reasons) - _MOST_REASONS} more, listed in reason_text")
    return "\n".join(lines)


def status_lines(table: SweepTable, document: Mapping[str, Any]) -> str:
    """Title of a sweep, status of its points, and how many were selected."""
    status = document["status"]
    lines = [table.title, f"  {table.count:,} points: {_status(status)}"]
    if document["selected"] < status["done"]:
        lines.append(f"  {document['selected']:,} satisfy the conditions")
    if "front" in document:
        lines.append(f"  {document['front']:,} Pareto-optimal")
    return "\n".join(lines)


def points_table(columns: Mapping[str, Any], count: int) -> str:
    """Points, one per line; `count` includes those not shown."""
    cells = {
        name: [f"{x:.4g}" if isinstance(x, float) else str(x) for x in values.tolist()]
        for name, values in columns.items()
    }
    heads = [f"({place})" for place in range(1, len(cells) + 1)]
    lines = [
        f"  {head} {name}, {printed(quantity_of(name).unit)}".rstrip(", ")
        for head, name in zip(heads, cells, strict=True)
    ]
    widths = [max(9, *map(len, values)) for values in cells.values()]
    lines += [
        "  " + " ".join(f"{cell:>{width}}" for cell, width in zip(row, widths, strict=True))
        for row in (heads, *zip(*cells.values(), strict=True))
    ]
    shown = len(next(iter(cells.values())))
    if count > shown:
        lines.append(f"  and {count - shown:,} more")
    return "\n".join(lines)


def influence_table(quantity: str, found: Sequence[Influence]) -> str:
    """Sensitivity of a quantity to each dimension of a plan."""
    width = max(len(item.name) for item in found)
    indices = any(math.isfinite(item.total) for item in found)
    head = "rank correlation" + ("    Sobol' first          total" if indices else "")
    lines = [f"sensitivity of {quantity}", f"  {'':<{width}} {head}"]
    for item in found:
        first, total = (
            "" if math.isnan(value) else f"{value:6.3f} ± {error:.3f}"
            for value, error in ((item.first, item.first_error), (item.total, item.total_error))
        )
        lines.append(f"  {item.name:<{width}} {item.rank:16.3f}  {first:>14} {total:>14}".rstrip())
    return "\n".join(lines)


def difference_table(rows: Mapping[str, Mapping[str, Any]]) -> str:
    """Mean, smallest and largest difference of every result of two sweeps."""
    parts = {"mean": "mean", "least": "smallest", "greatest": "largest"}
    width = max(map(len, rows), default=0)
    lines = [f"  {'':<{width}}  " + "  ".join(f"{part:>11}" for part in parts.values())]
    for name, row in rows.items():
        cells = "  ".join(f"{row[part]:>11.4g}" for part in parts)
        lines.append(f"  {name:<{width}}  {cells} {printed(row['unit'])}".rstrip())
    return "\n".join(lines)


def _axes(axes: Mapping[str, int], form: str) -> str:
    """Lengths of the axes of a grid in a form such as ``"({})"``; empty for a sample."""
    if list(axes) == ["point"]:
        return ""
    return form.format(" × ".join(f"{size} {name}" for name, size in axes.items()))


def _status(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{number:,} {word}" for word, number in counts.items() if number)


def _duration(seconds: float) -> str:
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"


def _size(count: float) -> str:
    for unit in ("B", "kB", "MB"):
        if count < 1000.0:
            return f"{count:.3g} {unit}"
        count /= 1000.0
    return f"{count:.3g} GB"
