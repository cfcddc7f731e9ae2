"""What the checks say: tables for the terminal, tables in Markdown."""

from __future__ import annotations

from collections.abc import Sequence

from validation.check import Verdict

HEADINGS = ("", "source", "quantity", "reference", "computed", "deviation", "allowed", "at")

Families = Sequence[tuple[str, Sequence[Verdict]]]

GUARDS = "Guards against change"
"""Title of the table of what compares us with ourselves or with a value that we chose."""


def apart(families: Families) -> Families:
    """Put the guards of all families into a table of their own, the last; leave out empty ones."""
    sources = [(title, [v for v in found if not v.check.is_guard]) for title, found in families]
    guards = [v for _, found in families for v in found if v.check.is_guard]
    return [(title, found) for title, found in (*sources, (GUARDS, guards)) if found]


def count(families: Families) -> str:
    """How many comparisons and guards there are, and how many fail."""
    verdicts = [verdict for _, found in families for verdict in found]
    guards = sum(verdict.check.is_guard for verdict in verdicts)
    failed = sum(not verdict.passed for verdict in verdicts)
    return (
        f"{len(verdicts) - guards} comparisons with theory and data, {guards} guards against"
        f" change, {failed} outside their tolerance"
    )


def cells(verdict: Verdict) -> tuple[str, ...]:
    """One line of the terminal's table."""
    return (
        "ok" if verdict.passed else "NO",
        verdict.check.source,
        verdict.check.quantity,
        f"{verdict.worst.reference:.5g}",
        f"{verdict.worst.computed:.5g}",
        verdict.deviation_text,
        verdict.tolerance_text,
        verdict.worst.where,
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


def markdown(families: Families, figures: Sequence[str]) -> str:
    """Whole report as Markdown.

    Parameters
    ----------
    families : sequence of (title, verdicts)
    figures : sequence of str
        File names of the figures, shown at the end.
    """
    lines = [
        "# Deviations from published theory and data",
        "",
        f"{count(families)}. Each line is the worst point of its comparison.",
        "",
        "*exact*: closed formula, identity or cross-checked numerical solution; *published*: read "
        "in the source; *memory*: recalled, not confirmed; *own*: a value that we chose or gave "
        "to the solver, or one reference checked by another. A signed deviation belongs "
        "to an inequality: negative is the margin by which it is kept.",
        "",
    ]
    for title, group in apart(families):
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
    check = verdict.check
    deviation = verdict.deviation_text if verdict.passed else f"**{verdict.deviation_text}**"
    row = (
        check.source,
        check.quantity,
        str(check.status),
        f"{verdict.worst.reference:.5g}",
        f"{verdict.worst.computed:.5g}",
        deviation,
        verdict.tolerance_text,
        verdict.worst.where,
        check.why,
        check.model,
    )
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |"
