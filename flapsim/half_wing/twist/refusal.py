"""Messages for a twist without a stable periodic state, with the nearest stable setting."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from flapsim.case import Case
from flapsim.case.columns import Designs
from flapsim.half_wing.pack import pack
from flapsim.half_wing.twist.compliance import compliances, hinge_stiffness
from flapsim.half_wing.twist.half_wing import HalfWing, half_wing
from flapsim.half_wing.twist.margins import stability_margins
from flapsim.half_wing.twist.stability import Stability, stability
from flapsim.wing.strips import strips

_STIFFER = (1.2, 1.5, 2.0, 3.0, 5.0, 10.0, 30.0, 100.0, 300.0, 1000.0)
_SLOWER = (0.95, 0.9, 0.8, 0.7, 0.6, 0.5, 0.35, 0.2)
_HALVINGS = 5


def no_periodic_twist(case: Case, half: HalfWing) -> str:
    """Message: no periodic twist was found."""
    assert half.balance is not None
    residual = 100.0 * float(half.balance.residual[0])
    size = (
        f"a residual of {residual:.2g} % of the largest moment remains"
        if math.isfinite(residual)
        else "the iteration diverges"
    )
    return (
        f"no periodic twist of the {_names(half)} was found: spring, mass and air do not"
        f" balance over a stroke ({size}).{_held_still(case, half)} {_nearest(case, half)}"
    )


def _held_still(case: Case, half: HalfWing) -> str:
    """Whether the wing, held still with its springs at rest, is unstable at the airspeed flown."""
    airspeed = float(case.flight.airspeed_m_s)
    if airspeed <= 0.0:
        return ""
    batch, _ = compliances(case, half.design.batch._replace(schedule=_asked(case, half)), half.side)
    resting = half._replace(design=half.design._replace(batch=batch))
    margins = stability_margins(case, resting, np.linspace(0.05, 1.0, 20) * airspeed)
    speeds = {"divergence": margins.divergence, "flutter": margins.flutter}
    known = {name: speed for name, speed in speeds.items() if math.isfinite(speed)}
    if not known:
        return ""
    name = min(known, key=lambda name: known[name])
    return f" The cause is {name}: held still, the wing is unstable above {known[name]:.3g} m/s."


def _asked(case: Case, half: HalfWing) -> NDArray[np.float64]:
    """Schedules of a rigid half wing."""
    return pack(case, half.side).batch.schedule


def unstable_twist(case: Case, half: HalfWing, verdict: Stability) -> str:
    """Message: a periodic twist is unstable, with a multiplier beyond one."""
    grows = f"a small departure {growth_in_words(verdict.largest)}"
    if verdict.name == "divergence":
        what = f"the air overcomes the spring of the {_names(half)}: {grows}"
    else:
        what = f"the twist of the {_names(half)} oscillates with growing amplitude: {grows}"
    return f"{verdict.name}: {what}. {_nearest(case, half)}"


def growth_in_words(multiplier: float) -> str:
    """How much a departure grows, from the magnitude of the largest Floquet multiplier."""
    times = f"{multiplier:.3g}-fold" if multiplier < 1e6 else "without bound"
    return f"grows {times} in a stroke"


def _names(half: HalfWing) -> str:
    names = [("inner", "outer")[part.segment] for part in half.parts]
    return f"{' and '.join(names)} segment" + ("s" if len(names) > 1 else "")


def _nearest(case: Case, half: HalfWing) -> str:
    """Stiffness or airspeed at which the twist is periodic and stable."""
    ways = []
    now = _stiffnesses(case, half)
    stiff = {key: value or _little(case) for key, value in now.items()}
    factor = _first_stable(case, half, stiff, _STIFFER)
    if factor is not None:
        settings = " and ".join(f"{key} = {value * factor:.3g}" for key, value in stiff.items())
        ways.append(f"{settings} (now {' and '.join(f'{v:.3g}' for v in now.values())})")
    speed = {"flight.airspeed_m_s": float(case.flight.airspeed_m_s)}
    factor = _first_stable(case, half, speed, _SLOWER) if speed["flight.airspeed_m_s"] else None
    if factor is not None:
        value = speed["flight.airspeed_m_s"]
        ways.append(f"flight.airspeed_m_s = {value * factor:.3g} (now {value:.3g})")
    if not ways:
        return (
            f"Neither up to {_STIFFER[-1]:g} times the stiffness nor down to"
            f" {_SLOWER[-1]:g} of the airspeed is stable: move the mass forward or the twist axis."
        )
    return f"The nearest stable setting: {', or '.join(ways)}."


def _little(case: Case) -> float:
    """A soft spring, N m/rad, to start the search from where there is none."""
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    pressure = 0.5 * case.air.density * max(float(case.flight.airspeed_m_s), 1.0) ** 2
    return float(0.01 * pressure * (wing.width * wing.chord**2).sum())


def _stiffnesses(case: Case, half: HalfWing) -> dict[str, float]:
    """Key and value of the stiffness of each compliant segment."""
    out = {}
    for part in half.parts:
        name = ("inner", "outer")[part.segment]
        stroke = case.stroke.half(half.side)[part.segment]
        assert stroke is not None
        assert stroke.twist is not None
        port = case.stroke.port if half.side == "port" else None
        place = "" if port is None or getattr(port, name) is None else "port."
        stiffness = hinge_stiffness(stroke.twist) or 0.0
        out[f"stroke.{place}{name}.twist.stiffness_n_m_rad"] = float(stiffness)
    return out


def _first_stable(
    case: Case, half: HalfWing, values: dict[str, float], factors: tuple[float, ...]
) -> float | None:
    """Factor closest to one, on some numbers of a case, with which its twist is stable."""
    if not all(values.values()):
        return None
    # A stiffness that follows from a moment limit is not written yet, and can be no column then.
    case = case.replace(values)
    good = _stable(case, half, values, np.array(factors))
    if not good.any():
        return None
    first = int(np.argmax(good))
    stable, unstable = factors[first], factors[first - 1] if first else 1.0
    for _ in range(_HALVINGS):
        middle = math.sqrt(stable * unstable)
        if _stable(case, half, values, np.array([middle]))[0]:
            stable = middle
        else:
            unstable = middle
    # Three figures, rounded to the stable side.
    return stable * (1.005 if stable > 1.0 else 0.995)


def _stable(
    case: Case, half: HalfWing, values: dict[str, float], factors: np.ndarray
) -> np.ndarray:
    many = Designs(case, {key: value * factors for key, value in values.items()})
    wings = half_wing(many, half.side, continuation=False)
    return np.array(
        [
            bool(wings.found[lane]) and stability(many, wings, lane).largest <= 1.0
            for lane in range(factors.size)
        ]
    )
