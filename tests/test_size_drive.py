"""Choosing a drive: least power within limits, words where none fits, and the chain of watts."""

from __future__ import annotations

import dataclasses
import math
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

import flapsim
from flapsim.case.craft import Battery
from flapsim.drive.train import drive_train
from flapsim.faults import CaseError, NoAnswer
from flapsim.flight.power_chain import power_chain
from flapsim.flight.size_drive import VOLTAGE_PART, motor_table, size_drive, wing_load

CASES = Path(__file__).parent.parent / "cases"
FREQUENCY = 2.8


@lru_cache(maxsize=2)
def cycle(name: str = "glasshouse"):
    return flapsim.simulate(flapsim.read_case(CASES / f"{name}.toml"))


@lru_cache(maxsize=1)
def sized():
    found = cycle()
    return size_drive(found.case.drive, FREQUENCY, wing_load(found), motor_table())


def test_the_load_of_a_cycle_turns_the_shoulder_at_its_own_rate():
    # Exact: inner plunge 4 + 20.4 cos(tau) degrees at 2.8 strokes a second.
    load, tau = wing_load(cycle()), cycle().phase
    np.testing.assert_allclose(load.plunge, np.radians(4.0 + 20.4 * np.cos(tau)), atol=1e-12)
    rate = -np.radians(20.4) * 2.0 * math.pi * FREQUENCY * np.sin(tau)
    np.testing.assert_allclose(load.plunge_rate, rate, atol=1e-10)


def test_a_chosen_drive_takes_less_than_the_one_in_the_case():
    found = cycle()
    own = drive_train(found.case.drive, FREQUENCY, *wing_load(found)).mean["electrical_power_w"]
    assert sized()[0].electrical_power < own
    powers = [one.electrical_power for one in sized()]
    assert powers == sorted(powers)


@pytest.mark.parametrize("place", [0, 3, 8])
def test_no_other_gear_ratio_within_the_limits_takes_less(place):
    one = sized()[place]
    ratios = one.drive.gear_ratio * np.linspace(0.5, 1.5, 2001)
    lanes = [series[:, None] for series in wing_load(cycle())]
    train = drive_train(dataclasses.replace(one.drive, gear_ratio=ratios), FREQUENCY, *lanes)
    within = (
        (train.peak["motor_voltage_v"] <= VOLTAGE_PART * train.mean["battery_voltage_v"])
        & (train.peak["motor_current_a"] <= one.kind.motor.peak_current_a)
        & (train.mean["motor_current_rms_a"] <= one.kind.motor.continuous_current_a)
        & (train.mean["motor_speed_rad_s"] <= one.kind.max_speed)
    )
    least = train.mean["electrical_power_w"][within].min()
    # Three zooms by 120 leave a ratio known to 1e-6, its power better where the minimum is flat.
    assert one.electrical_power <= least * (1.0 + 1e-6)


def test_every_choice_keeps_its_limits():
    for one in sized():
        assert max(one.limits.values()) <= 1.0 + 1e-9
        assert one.limits["voltage"] == pytest.approx(
            float(one.train.peak["motor_voltage_v"])
            / (VOLTAGE_PART * float(one.train.mean["battery_voltage_v"]))
        )


def test_a_better_spring_than_the_given_one_is_found_unless_it_is_kept():
    found = cycle()
    kept = size_drive(found.case.drive, FREQUENCY, wing_load(found), motor_table(), True)
    assert all(one.drive.balance_spring == found.case.drive.balance_spring for one in kept)
    free = {one.kind.name: one.electrical_power for one in sized()}
    assert all(free[one.kind.name] <= one.electrical_power for one in kept)


def test_where_no_motor_fits_the_refusal_names_the_nearest_and_its_limit():
    found = cycle()
    weak = [kind for kind in motor_table() if kind.name == "invented 5 g"]
    load = wing_load(found)
    heavy = load._replace(aero_power=12.0 * load.aero_power)
    with pytest.raises(NoAnswer, match=r"none of the 1 motors .* 'invented 5 g' .* stronger motor"):
        size_drive(found.case.drive, FREQUENCY, heavy, weak)
    flat = dataclasses.replace(found.case.drive, battery=Battery(0.5, 0.06, 0.45))
    with pytest.raises(NoAnswer, match="battery of more cells"):
        size_drive(flat, FREQUENCY, load, weak)
    with pytest.raises(NoAnswer, match="empty"):
        size_drive(found.case.drive, FREQUENCY, load, [])


# --- the table of motors -----------------------------------------------------------------------

HEADER = (
    "name,mass_g,resistance_ohm,torque_constant_n_m_a,no_load_current_a,rotor_inertia_kg_m2,"
    "continuous_current_a,peak_current_a,max_speed_rpm\n"
)


def test_every_motor_that_comes_with_the_package_says_that_it_is_invented():
    assert len(motor_table()) >= 6
    assert all(kind.name.startswith("invented") for kind in motor_table())
    # Exact for any motor: the voltage constant is the torque constant; no more than its battery
    # of two to four cells turns it beyond its stated speed by half.
    for kind in motor_table():
        assert kind.motor.torque_constant_n_m_a * kind.max_speed < 1.5 * 16.8
        assert kind.motor.continuous_current_a < kind.motor.peak_current_a


def test_a_file_adds_motors_and_replaces_those_of_its_names(tmp_path):
    file = tmp_path / "own.csv"
    file.write_text(HEADER + "mine,10,0.5,0.006,0.1,0,3,6,20000\ninvented 5 g,9,1,1,0,0,1,1,60\n")
    table = {kind.name: kind for kind in motor_table(file)}
    assert len(table) == len(motor_table()) + 1
    assert table["mine"].mass == pytest.approx(0.010)
    # Exact: 60 turns a minute.
    assert table["invented 5 g"].max_speed == pytest.approx(2.0 * math.pi)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "name,mass_g\na,1\n",
            ["line 1: expected a column resistance_ohm"],
        ),
        ("", ["expected a column name in the header"]),
        (
            HEADER + "a,1,x,0.006,0.1,0,3,6,-1\n",
            ["line 2, resistance_ohm", "found x", "found -1"],
        ),
        (
            HEADER + "# aside\n,1,0.5,0.006,0.1,0,3,6\n",
            ["line 3, name: missing", "max_speed_rpm: missing"],
        ),
    ],
)
def test_faults_of_a_table_name_line_and_column(tmp_path, text, words):
    file = tmp_path / "bad.csv"
    file.write_text(text)
    with pytest.raises(CaseError) as error:
        motor_table(file)
    for word in words:
        assert word in str(error.value)


def test_a_table_that_is_not_there_is_a_fault(tmp_path):
    with pytest.raises(CaseError, match=r"none\.csv"):
        motor_table(tmp_path / "none.csv")


# --- the chain ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["glasshouse", "two_metre"])
def test_the_watts_from_battery_to_thrust_add_up_link_by_link(name):
    chain = power_chain(cycle(name))
    # A sum of a dozen means of 128 numbers, held to its rounding.
    assert chain.imbalance < 1e-12
    passed = chain.links[0].power
    for link in chain.links[1:]:
        if link.loss:
            passed -= link.power
        else:
            # Inertia and spring give back what they take, to rounding.
            assert link.power == pytest.approx(passed, abs=1e-12 * chain.links[0].power)
            passed = link.power
    assert [link.name for link in chain.links][-1].startswith("thrust")


def test_a_case_without_a_drive_has_no_chain():
    with pytest.raises(ValueError, match="no drive"):
        power_chain(cycle("student_flapper"))
