"""Run every check: ``python -m validation [-o FOLDER]``."""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from tqdm import tqdm

from validation.catalogue import FAMILIES
from validation.report import apart, count, markdown, terminal_table


def main(arguments: list[str] | None = None) -> int:
    """Run all checks; print and write their deviations.

    Returns
    -------
    int
        0 if every deviation is within its tolerance, else 1.
    """
    parser = argparse.ArgumentParser(
        prog="python -m validation",
        description="Compare the solver with published theory and data.",
        epilog="example: python -m validation -o validation-report",
    )
    parser.add_argument(
        "-o",
        dest="folder",
        type=Path,
        default=Path("validation-report"),
        help="folder for the table (Markdown) and the figures (PNG)",
    )
    parser.add_argument("--no-figures", action="store_true", help="write the table only")
    options = parser.parse_args(arguments)

    began = time.perf_counter()
    families = [
        (family.TITLE, [check.run() for check in family.checks()]) for family in tqdm(FAMILIES)
    ]
    for title, verdicts in apart(families):
        print(terminal_table(title, verdicts), end="\n\n")

    options.folder.mkdir(parents=True, exist_ok=True)
    figures: list[str] = []
    if not options.no_figures:
        from validation.figures import draw_all

        figures = draw_all(options.folder, families)
    report = options.folder / "deviations.md"
    report.write_text(markdown(families, figures), encoding="utf-8")

    verdicts = [verdict for _, group in families for verdict in group]
    failed = [verdict for verdict in verdicts if not verdict.passed]
    print(
        f"{count(families)}, "
        f"{time.perf_counter() - began:.0f} s; table and {len(figures)} figures in {options.folder}"
    )
    for verdict in failed:
        print(f"outside: {verdict}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
