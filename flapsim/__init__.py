"""Lift, thrust, power and efficiency of flapping wings, from one case file.

>>> import flapsim
>>> case = flapsim.read_case("cases/glasshouse.toml")  # doctest: +SKIP
>>> cycle = flapsim.simulate(case)  # doctest: +SKIP
>>> cycle.mean["lift_n"], cycle.mean["aero_power_w"]  # doctest: +SKIP

The names below are looked up when they are first asked for: reading a case does not load the
compiler, and simulating does not load the plotting library.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flapsim.case import Case, parse_case, read_case
    from flapsim.cycle.files import read_cycle, write_cycle
    from flapsim.cycle.simulate import Cycle, simulate
    from flapsim.faults import CaseError, NoAnswer
    from flapsim.flight.power_curve import power_curve
    from flapsim.flight.trim import NoTrim, Trim, trim, trim_many
    from flapsim.rig.calibrate import Free, calibrate
    from flapsim.rig.reduction import reduce_log
    from flapsim.rig.rig_file import read_rig
    from flapsim.study.engine import sweep
    from flapsim.study.table import read_sweep

    __version__: str

_MODULES = {
    "case": ("Case", "parse_case", "read_case"),
    "faults": ("CaseError", "NoAnswer"),
    "cycle.simulate": ("Cycle", "simulate"),
    "cycle.files": ("read_cycle", "write_cycle"),
    "flight.trim": ("NoTrim", "Trim", "trim", "trim_many"),
    "flight.power_curve": ("power_curve",),
    "study.engine": ("sweep",),
    "study.table": ("read_sweep",),
    "rig.rig_file": ("read_rig",),
    "rig.reduction": ("reduce_log",),
    "rig.calibrate": ("Free", "calibrate"),
}
_MODULE_OF = {name: module for module, names in _MODULES.items() for name in names}

__all__ = [
    "Case", "CaseError", "Cycle", "Free", "NoAnswer", "NoTrim", "Trim", "__version__",
    "calibrate", "parse_case", "power_curve", "read_case", "read_cycle", "read_rig", "read_sweep",
    "reduce_log", "simulate", "sweep", "trim", "trim_many", "write_cycle",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from flapsim.version import installed_version

        return installed_version()
    if name in _MODULE_OF:
        value = getattr(import_module(f"flapsim.{_MODULE_OF[name]}"), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'flapsim' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
