"""A design has one outcome, whatever it is solved with."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flapsim import Case, read_case
from flapsim.cycle.results import evaluate

CASES = Path(__file__).parents[1] / "cases"
COARSE = {"model.steps": 32, "wing.inner.strips": 6, "wing.outer.strips": 8, "model.modes": 4}
POLAR = "alpha_deg,cl,cd,cm\n-14,-0.9,0.12,0\n-8,-0.8,0.02,0\n0,0.1,0.01,-0.02\n9,1,0.02,-0.02\n"

MOTION = (
    "flight.pitch_deg", "flight.airspeed_m_s", "stroke.frequency_hz",
    "stroke.inner.plunge.amplitude_deg", "stroke.outer.plunge.lag_deg",
    "stroke.outer.twist.tip_amplitude_deg",
)  # fmt: skip
GEOMETRY = (
    "wing.inner.length_m", "wing.outer.length_m", "wing.outer.chord_m.6.1",
    "wing.outer.chord_m.2.0", "wing.twist_axis", "craft.shoulder_offset_m",
)  # fmt: skip
CRAFT = (
    "craft.mass_kg", "craft.centre_of_mass_m.0", "air.density_kg_m3", "wing.section.stall_deg",
    "wing.section.suction", "drive.gear_ratio", "drive.balance_spring.moment_n_m",
)  # fmt: skip


def designs(case: Case, keys: tuple[str, ...], count: int) -> dict[str, np.ndarray]:
    """Numbers spread by a twentieth around those of a case."""
    chance = np.random.default_rng(5)
    return {
        key: float(case.get(key)) * (1.0 + 0.05 * chance.uniform(-1.0, 1.0, count)) for key in keys
    }


def unlike(case: Case, keys: tuple[str, ...], count: int, size: int) -> list[str]:
    """Results that change when designs are solved so many at a time instead of all at once."""
    columns = designs(case, keys, count)
    whole = evaluate(case, columns)
    names = set()
    for start in range(0, count, size):
        part = evaluate(case, {key: x[start : start + size] for key, x in columns.items()})
        names |= {
            name
            for name, values in part.items()
            if values.tobytes() != whole[name][start : start + size].tobytes()
        }
    return sorted(names)


@pytest.mark.parametrize("keys", [MOTION, GEOMETRY, CRAFT], ids=["motion", "geometry", "craft"])
@pytest.mark.parametrize("induced", ["slope", "lifting-line"])
@pytest.mark.parametrize("size", [1, 3, 16])
def test_a_design_has_the_same_bits_alone_and_among_others(
    keys: tuple[str, ...], induced: str, size: int
) -> None:
    case = read_case(CASES / "glasshouse.toml").replace(COARSE | {"model.induced": induced})
    assert unlike(case, keys, 37, size) == []


def test_designs_with_a_polar_keep_their_own_drag_beyond_its_range(tmp_path: Path) -> None:
    (tmp_path / "polar.csv").write_text(POLAR)
    text = (CASES / "glasshouse.toml").read_text("utf-8")
    (tmp_path / "case.toml").write_text(text)
    section: dict[str, Any] = {"law": "polar", "file": "polar.csv"}
    case = read_case(tmp_path / "case.toml").replace(
        COARSE | {"wing.section": section, "model.induced": "slope"}
    )
    columns = designs(case, ("wing.outer.length_m",), 5) | {
        "stroke.outer.twist.tip_amplitude_deg": np.zeros(5)  # stalls without its twist
    }
    together = evaluate(case, columns)
    for place in range(5):
        alone = evaluate(case.replace({key: float(x[place]) for key, x in columns.items()}))
        for name, values in together.items():
            np.testing.assert_array_equal(values[place], alone[name][0], err_msg=name)
