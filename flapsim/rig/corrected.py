"""A fitted case as a new file, with uncertainties in comments."""

from __future__ import annotations

from pathlib import Path

from flapsim.case import parse_case
from flapsim.faults import CaseError, Fault
from flapsim.rig.calibrate import Calibration
from flapsim.rig.reduction import Reduction


def corrected_text(calibration: Calibration, reduction: Reduction) -> str:
    """Return the case fitted to a log as TOML, with values and uncertainties in comments on top."""
    lines = [f"# Fitted to {reduction.name}: {', '.join(calibration.quantities)}.", "#"]
    lines += [
        f"# {found.key} = {found.value:.6g}  (95 %: {found.low:.6g} to {found.high:.6g}; was"
        f" {found.before:.6g})" + ("" if found.known else "  NOT DETERMINED BY THE DATA")
        for found in calibration.fitted
    ]
    lines += [f"# Caution: {warning}" for warning in (*calibration.warnings, *reduction.notes)]
    lines += [f"# Misfit: {calibration.misfit:.2f} times the scatter between strokes.", ""]
    return "\n".join(lines) + "\n" + calibration.case.to_toml()


def write_corrected(calibration: Calibration, reduction: Reduction, path: str | Path) -> None:
    """Write the case fitted to a log as a new file.

    Raises
    ------
    CaseError
        If the file exists, or the case would not read back there, as when it names files beside it.
    """
    path = Path(path)
    text = corrected_text(calibration, reduction)
    parse_case(text, path.parent, path.name)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        sentence = "exists already, and a case is never overwritten; choose another name"
        raise CaseError([Fault(path.name, "", "", sentence)]) from error
