"""The hazard note: its energies by hand, its words by what they must say."""

from __future__ import annotations

import math
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

import flapsim
from flapsim.flight.hazard import hazard_note
from flapsim.flight.loads import wing_kinetic_energy
from flapsim.quantities import HAZARDS
from flapsim.wing.strips import strips

CASES = Path(__file__).parent.parent / "cases"


@lru_cache(maxsize=2)
def cycle(name: str):
    return flapsim.simulate(flapsim.read_case(CASES / f"{name}.toml"))


@lru_cache(maxsize=2)
def note(name: str):
    return hazard_note(cycle(name).case, cycle(name))


def test_cruise_carries_half_mass_times_speed_squared():
    # Exact: 0.5 x 0.24 kg x (5 m/s)^2.
    assert note("glasshouse").values["cruise_energy_j"] == pytest.approx(3.0)
    # Exact: over the drag area of 0.006 m^2.
    assert note("glasshouse").values["cruise_energy_per_area_j_m2"] == pytest.approx(500.0)


def test_at_fall_speed_drag_carries_the_weight():
    # Exact: weight = density/2 speed^2 drag area; plate coefficient 1.11 + 0.018 AR (Viterna &
    # Corrigan 1982), half the plate's area when tumbling (Cauchy 1841).
    case = cycle("glasshouse").case
    wing = strips(case.wing, case.craft.shoulder_offset_m)
    plate = (1.11 + 0.018 * wing.aspect_ratio) * wing.area
    values = note("glasshouse").values
    for name, area in (("flat_fall", plate), ("tumbling_fall", 0.5 * plate)):
        speed = values[f"{name}_speed_m_s"]
        drag = 0.5 * 1.225 * speed**2 * (area + 0.006)
        assert drag == pytest.approx(0.24 * 9.80665)
        assert values[f"{name}_energy_j"] == pytest.approx(0.5 * 0.24 * speed**2)


def test_falls_are_ordered_from_flat_to_nose_first():
    values = note("glasshouse").values
    speeds = [values[f"{name}_speed_m_s"] for name in ("flat_fall", "tumbling_fall", "dive")]
    assert speeds == sorted(speeds)


def test_the_tip_moves_as_fast_as_a_single_hinge_lets_it():
    # Exact: one rigid segment on one hinge, amplitude x 2 pi f x length.
    found = cycle("student_flapper")
    stroke, length = found.case.stroke, found.case.wing.inner.length_m
    amplitude = math.radians(stroke.inner.plunge.amplitude_deg)
    expected = amplitude * 2.0 * math.pi * stroke.frequency_hz * length
    assert note("student_flapper").values["wing_tip_speed_m_s"] == pytest.approx(
        expected,
        rel=1e-6,  # the fastest instant is a step of the stroke
    )
    assert note("student_flapper").values["wing_strike_energy_j"] == pytest.approx(
        np.max(wing_kinetic_energy(found))
    )


def test_battery_and_rotor_count_where_there_is_a_drive():
    values = note("glasshouse").values
    # Exact: 7.4 V x 0.45 A h, and half J (2 pi f N)^2.
    assert values["battery_energy_j"] == pytest.approx(7.4 * 0.45 * 3600.0)
    assert values["rotor_energy_j"] == pytest.approx(0.5 * 4e-7 * (2 * math.pi * 2.8 * 50) ** 2)
    assert math.isnan(note("student_flapper").values["battery_energy_j"])


def test_the_words_warn_defer_and_claim_nothing():
    text = note("glasshouse").text
    for words in ("falls", "strikes", "Lithium", "local rules", "licensed", "prove neither"):
        assert words in text.replace("\n", " ")
    for claim in ("is safe", "complies", "compliant", "approved", "harmless"):
        assert claim not in text
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "Lithium" not in note("student_flapper").text


def test_a_wing_on_a_rig_neither_falls_nor_flies():
    found = cycle("glasshouse")
    case = found.case.replace({"craft.mass_kg": 0.0})
    rig = hazard_note(case, found)
    assert math.isnan(rig.values["dive_energy_j"])
    assert math.isnan(rig.values["cruise_energy_j"])
    assert "falls" not in rig.text
    assert "strikes" in rig.text


def test_every_number_has_a_unit_and_goes_with_its_name_to_a_file():
    found = note("glasshouse")
    assert set(found.values) == set(HAZARDS)
    attributes = found.attributes()
    assert attributes["hazard"] == found.text
    assert attributes["hazard.cruise_energy_j"] == found.values["cruise_energy_j"]
