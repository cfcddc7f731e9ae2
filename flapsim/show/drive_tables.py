"""The drive report of `flapsim drive`: the table that is printed and the JSON document."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from flapsim.flight.drive_report import DriveReport
from flapsim.flight.power_chain import RATIOS
from flapsim.flight.size_drive import SizedDrive
from flapsim.quantities import finite_or_none
from flapsim.show.text import figures, noted, wrapped


def drive_document(report: DriveReport) -> dict[str, Any]:
    """A drive report as a nested dictionary for JSON; numbers without a meaning are None."""
    chain, best, ripple = report.chain, report.best_spring, report.ripple
    document: dict[str, Any] = {
        "title": report.cycle.case.title,
        "mean": finite_or_none(chain.means),
        "peak": finite_or_none(chain.train.peak),
        "check": finite_or_none({"drive_balance": chain.imbalance}),
        "links": [
            finite_or_none({"power_w": link.power}) | {"name": link.name, "loss": link.loss}
            for link in chain.links
        ],
        "best_spring": {
            "moment_n_m": best.spring.moment_n_m,
            "stiffness_n_m_rad": best.spring.stiffness_n_m_rad,
            "motor_power_w": best.motor_power,
        },
        "notes": list(chain.notes),
    }
    if isinstance(ripple, str):
        document["uneven_crank"] = {"refused": ripple}
    else:
        document["uneven_crank"] = {
            "fluctuation": ripple.fluctuation,
            "voltage_v": ripple.voltage,
            "motor_power_w": ripple.motor_power,
        }
    if report.sized:
        document["sized"] = [_sized_document(one) for one in report.sized]
    return document


def _sized_document(one: SizedDrive) -> dict[str, Any]:
    spring = one.drive.balance_spring
    return {
        "motor": one.kind.name,
        "motor_mass_kg": one.kind.mass,
        "gear_ratio": one.drive.gear_ratio,
        "spring_moment_n_m": None if spring is None else spring.moment_n_m,
        "spring_stiffness_n_m_rad": None if spring is None else spring.stiffness_n_m_rad,
        "electrical_power_w": one.electrical_power,
        "limits_used": one.limits,
    }


def drive_table(report: DriveReport) -> str:
    """A drive report as lines of text."""
    chain, best, ripple = report.chain, report.best_spring, report.ripple
    means, peak = chain.means, chain.train.peak
    lines = [report.cycle.case.title, "", "Mean power from the battery to the thrust"]
    for link in chain.links:
        name = f"  - {link.name}" if link.loss else link.name
        lines.append(f"  {name:<34}{figures(link.power):>11} W")
    lines += [f"  {'imbalance':<34}{chain.imbalance:>11.1e}", "", "Efficiencies and ratios"]
    lines += [f"  {name:<34}{figures(means[key]):>11}" for name, key in RATIOS if key in means]
    turns = means["motor_speed_rad_s"] * 60.0 / (2.0 * math.pi)
    lines += [
        "",
        "Motor and battery",
        f"  {'current, mean / rms / peak':<34}{figures(means['motor_current_a']):>11} /"
        f" {figures(means['motor_current_rms_a'])} / {figures(float(peak['motor_current_a']))} A",
        f"  {'motor voltage, peak':<34}{figures(float(peak['motor_voltage_v'])):>11} V",
        f"  {'battery voltage under load':<34}{figures(means['battery_voltage_v']):>11} V",
        f"  {'motor speed':<34}{turns:>11.0f} rpm",
        "",
        "Balance spring at the shoulder (both wings)",
        f"  best: {best.spring.moment_n_m:.3g} N m and {best.spring.stiffness_n_m_rad:.3g} N m/rad,"
        f" {best.motor_power:.4g} W at the motor, {means['motor_power_w']:.4g} W at present",
        "",
        "Crank driven at constant voltage",
    ]
    if isinstance(ripple, str):
        lines += wrapped(ripple, "  ", "  ")
    else:
        lines.append(
            f"  speed varies by {100.0 * ripple.fluctuation:.2g} % of its mean,"
            f" {ripple.motor_power:.4g} W at the motor"
        )
    if report.sized:
        lines += ["", *_sized_lines(report.sized)]
    if chain.notes:
        lines += ["", "Warnings", *noted(chain.notes)]
    return "\n".join(lines)


def _sized_lines(sized: Sequence[SizedDrive]) -> list[str]:
    lines = [
        "Drives within the limits, least electrical power first (motor mass not counted)",
        f"  {'motor':<22}{'g':>5}{'ratio':>9}{'N m':>8}{'N m/rad':>9}{'W':>8}  nearest limit",
    ]
    for one in sized:
        spring = one.drive.balance_spring
        moment = 0.0 if spring is None else spring.moment_n_m
        stiffness = 0.0 if spring is None else spring.stiffness_n_m_rad
        name, used = max(one.limits.items(), key=lambda item: item[1])
        lines.append(
            f"  {one.kind.name:<22}{1e3 * one.kind.mass:>5.0f}{one.drive.gear_ratio:>9.1f}"
            f"{moment:>8.3f}{stiffness:>9.3f}{one.electrical_power:>8.3f}"
            f"  {name}, {100.0 * used:.0f} %"
        )
    return lines
