"""What the checks say: a table for the terminal, a table in Markdown."""

from __future__ import annotations

from collections.abc import Sequence

from validation.check import Measure, Verdict

HEADINGS = ("", "source", "quantity", "reference", "computed", "deviation", "allowed", "at")


def cells(verdict: Verdict) -> tuple[str, ...]:
    """One line of the terminal's table."""
    comparison = verdict.comparison
    return (
        "ok" if verdict.passed else "NO",
        verdict.check.source,
        verdict.check.quantity,
        f"{comparison.reference:.5g}",
        f"{comparison.computed:.5g}",
        verdict.deviation_text,
        verdict.tolerance_text,
        comparison.where,
    )


def terminal_table(title: str, verdicts: Sequence[Verdict]) -> str:
    """Aligned table of one family."""
    rows = [HEADINGS, *(cells(verdict) for verdict in verdicts)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(HEADINGS))]
    right = {3, 4, 5, 6}
    lines = [title]
    for row in rows:
        padded = [
            text.rjust(width) if i in right else text.ljust(width)
            for i, (text, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(padded).rstrip())
    return "\n".join(lines)


def markdown(families: Sequence[tuple[str, Sequence[Verdict]]], figures: Sequence[str]) -> str:
    """Whole report as Markdown.

    Parameters
    ----------
    families : sequence of (title, verdicts)
    figures : sequence of str
        File names of the figures, shown at the end.
    """
    verdicts = [verdict for _, group in families for verdict in group]
    failed = sum(not verdict.passed for verdict in verdicts)
    lines = [
        "# Deviations from published theory and data",
        "",
        f"{len(verdicts)} comparisons, {failed} outside their tolerance. "
        "Each line is the worst point of its comparison.",
        "",
        "*exact*: closed formula, identity or cross-checked numerical solution; *published*: read "
        "in the source; *memory*: recalled, not confirmed. A signed deviation belongs to an "
        "inequality: negative is the margin by which it is kept.",
        "",
    ]
    for title, group in families:
        lines += [
            f"## {title}",
            "",
            "| source | quantity | reference is | reference | computed | deviation | allowed "
            "| at | because | model |",
            "|---|---|---|--:|--:|--:|--:|---|---|---|",
        ]
        lines += [_markdown_row(verdict) for verdict in group]
        lines.append("")
    lines += [f"![{name.removesuffix('.png').replace('_', ' ')}]({name})\n" for name in figures]
    return "\n".join(lines)


def _markdown_row(verdict: Verdict) -> str:
    check, comparison = verdict.check, verdict.comparison
    deviation = verdict.deviation_text if verdict.passed else f"**{verdict.deviation_text}**"
    row = (
        check.source,
        check.quantity,
        str(check.status),
        f"{comparison.reference:.5g}",
        f"{comparison.computed:.5g}",
        deviation,
        verdict.tolerance_text,
        comparison.where,
        check.why,
        check.model,
    )
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |"


def share_of_tolerance(verdict: Verdict) -> float:
    """Deviation over tolerance; NaN for an inequality, which has a margin instead."""
    if verdict.check.measure is Measure.EXCESS:
        return float("nan")
    return verdict.comparison.deviation / verdict.check.tolerance
