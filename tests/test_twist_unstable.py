"""Twists that do not last: exit 3, a sentence that names what happens, and a setting that lasts."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from flapsim import simulate
from flapsim.case import Case, read_case
from flapsim.case.columns import Designs
from flapsim.faults import NoAnswer
from flapsim.half_wing.twist.half_wing import half_wing
from flapsim.half_wing.twist.stability import stability

PROJECT = Path(__file__).parents[1]
GLASSHOUSE = read_case(PROJECT / "cases" / "glasshouse.toml")
STIFFNESS = "stroke.outer.twist.stiffness_n_m_rad"

COMMAND = "import sys; from flapsim.cli.main import main; sys.exit(main())"
PATIENCE_S = 300.0
"""Far beyond what an answer takes on a busy machine: only a run that hangs reaches it."""


def passive(stiffness: float, rest_deg: float = 0.0) -> dict[str, object]:
    return {"mode": "passive", "rest_deg": rest_deg, "stiffness_n_m_rad": stiffness}


def small() -> Case:
    """The surveyor with few strips and steps."""
    sizes = {"wing.inner.strips": 4, "wing.outer.strips": 6, "model.modes": 4, "model.steps": 64}
    return GLASSHOUSE.replace({"drive": None, **sizes})


def heavy_wing() -> Case:
    """Mass far behind the axis and soft springs at both segments: they flutter together."""
    return small().replace(
        {
            "model.induced": "slope",
            "wing.inner.skin_kg_m2": 3.7,
            "wing.outer.skin_kg_m2": 3.7,
            "flight.pitch_deg": 8.9,
            "stroke.inner.plunge.amplitude_deg": 20.0,
            "stroke.outer.plunge.amplitude_deg": 20.0,
            "stroke.inner.twist": passive(0.29),
            "stroke.outer.twist": passive(0.126, 10.0),
        }
    )


def fast_wing() -> Case:
    """An axis behind the quarter chord and a soft spring: it diverges from the middle.

    Thin, flat and without weight, it has a periodic twist about zero that is not kept.
    """
    return small().replace(
        {
            "model.induced": "slope",
            "model.wake": "quasi-steady",
            "wing.section.law": "thin-airfoil",
            "wing.section.zero_lift_deg": 0.0,
            "wing.twist_axis": 0.4,
            "flight.airspeed_m_s": 6.2,
            "flight.pitch_deg": 0.0,
            "stroke.inner.plunge.amplitude_deg": 1.0,
            "stroke.outer.plunge.amplitude_deg": 1.0,
            "stroke.inner.twist": None,
            "stroke.outer.twist": passive(0.05),
        }
    )


def slack_wing() -> Case:
    """No spring at all, and an axis behind the quarter chord."""
    return small().replace({"wing.twist_axis": 0.3, "stroke.outer.twist": passive(0.0)})


UNSTABLE = {"flutter": heavy_wing, "divergence": fast_wing, "no spring": slack_wing}
NAMED = {"flutter": "flutter", "divergence": "divergence", "no spring": "divergence"}


def run(case: Case, folder: Path) -> subprocess.CompletedProcess[str]:
    """The command that a person would type."""
    file = folder / "wing.toml"
    file.write_text(case.to_toml(), encoding="utf-8")
    return subprocess.run(
        [sys.executable, "-c", COMMAND, "run", str(file)],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )


@pytest.mark.parametrize("name", UNSTABLE)
def test_the_command_refuses_and_the_setting_it_names_lasts(name: str, tmp_path: Path) -> None:
    case = UNSTABLE[name]()
    refused = run(case, tmp_path)
    assert refused.returncode == 3
    assert "Traceback" not in refused.stderr
    words = " ".join(refused.stderr.split())
    assert NAMED[name] in words
    # The stiffness that the sentence names, or those of both segments.
    settings = dict(re.findall(r"(stroke\.\w+\.twist\.stiffness_n_m_rad) = ([\d.e+-]+\d)", words))
    assert settings, words
    assert run(case.replace({k: float(v) for k, v in settings.items()}), tmp_path).returncode == 0


def test_the_heavy_wing_swings_while_it_grows() -> None:
    # A pair of multipliers off the real axis: flutter in the sense of the textbooks.
    case = heavy_wing()
    largest = stability(case, half_wing(case)).multipliers[0]
    assert abs(largest) > 1.5
    assert abs(largest.imag) > 0.5 * abs(largest)


def test_a_slower_airspeed_that_the_sentence_names_lasts() -> None:
    with pytest.raises(NoAnswer, match="divergence") as refused:
        simulate(fast_wing())
    found = re.search(r"flight\.airspeed_m_s = ([\d.]+)", str(refused.value))
    assert found is not None
    slower = fast_wing().replace({"flight.airspeed_m_s": float(found[1])})
    assert simulate(slower).twist["outer"]["floquet_max"] < 1.0


def test_a_leap_of_the_flow_at_one_instant_is_no_flutter() -> None:
    # Where the induced velocity of stalled strips leaps, a slope by differences is as steep as the
    # difference is small; the wing with a little more or less of a spring is far from flutter.
    case = GLASSHOUSE.replace({"wing.twist_axis": 0.4, "stroke.outer.twist": passive(1.0)})
    springs = np.array([0.95, 1.0, 1.05])
    many = Designs(case, {STIFFNESS: springs})
    wings = half_wing(many)
    assert wings.found.all()
    largest = [stability(many, wings, lane).largest for lane in range(springs.size)]
    assert max(largest) < 0.1


def test_a_departure_that_outgrows_all_numbers_is_told_not_raised() -> None:
    # No spring, the axis far aft, fast air and slow strokes: thousands of e-foldings a stroke.
    blown = GLASSHOUSE.replace(
        {
            "stroke.outer.twist": {"mode": "passive", "stiffness_n_m_rad": 1e-6},
            "wing.twist_axis": 0.6,
            "flight.airspeed_m_s": 40.0,
            "stroke.frequency_hz": 0.02,
            "stroke.inner.plunge.amplitude_deg": 0.0,
            "stroke.outer.plunge.amplitude_deg": 0.0,
            "model.induced": "none",
        }
    )
    half = half_wing(blown)
    assert stability(blown, half).largest > 1e100
    with pytest.raises(NoAnswer, match=r"lasts|axis"):
        simulate(blown)
