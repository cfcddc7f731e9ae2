"""Figures of a compliant twist: labels with units, and the data that they show."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from flapsim.case import Case, read_case
from flapsim.cli.main import main
from flapsim.cycle.files import read_cycle, write_cycle
from flapsim.cycle.simulate import Cycle, simulate
from flapsim.half_wing.twist.half_wing import half_wing
from flapsim.half_wing.twist.margins import stability_margins
from flapsim.show.figures import draw, figure
from flapsim.show.kinds import SUFFIXES
from flapsim.show.style import number

PROJECT = Path(__file__).parents[1]
GLASSHOUSE = PROJECT / "cases" / "glasshouse.toml"
SPRING = {
    "wing.outer.skin_kg_m2": 0.08,
    "wing.outer.spar_kg_m": 0.01,
    "stroke.outer.twist": {
        "mode": "passive",
        "rest_deg": 14.0,
        "stiffness_n_m_rad": 0.05,
        "damping_n_m_s_rad": 0.0005,
        "stops_deg": [-22.0, 20.0],
    },
}
ACTUATOR = {
    "stroke.inner.twist": {
        "mode": "servo",
        "tip_amplitude_deg": 10.5,
        "tip_lag_deg": -72.0,
        "bandwidth_hz": 6.0,
        "torque_limit_n_m": 0.15,
    }
}
STRONG_ACTUATOR = {
    "stroke.outer.twist": {
        "mode": "servo",
        "tip_mean_deg": -3.6,
        "tip_amplitude_deg": 34.0,
        "tip_lag_deg": -57.0,
        "bandwidth_hz": 6.0,
    }
}


def changed(*changes: dict[str, Any]) -> Case:
    case = read_case(GLASSHOUSE)
    tables: dict[str, Any] = {}
    for change in changes:
        tables |= change
    return case.replace(tables)


@pytest.fixture(scope="module")
def spring() -> Cycle:
    return simulate(changed(SPRING))


@pytest.fixture(scope="module")
def both() -> Cycle:
    return simulate(changed(SPRING, ACTUATOR))


@pytest.fixture(scope="module")
def rigid() -> Cycle:
    return simulate(changed(STRONG_ACTUATOR))


def panel(figure: Figure, title: str) -> Axes:
    (found,) = [axes for axes in figure.axes if axes.get_title(loc="left").startswith(title)]
    return found


def titles(figure: Figure) -> list[str]:
    return [axes.get_title(loc="left") for axes in figure.axes if axes.get_title(loc="left")]


def words(axes: Axes) -> str:
    return " ".join(text.get_text() for text in axes.texts)


def curves(axes: Axes) -> list[np.ndarray]:
    return [np.asarray(line.get_ydata()) for line in axes.lines]


@pytest.mark.parametrize("kind", ["twist", "margin"])
def test_figures_of_a_compliant_twist_are_written_in_every_format(
    spring: Cycle, kind: str, tmp_path: Path
) -> None:
    for suffix in SUFFIXES:
        draw(spring, kind, tmp_path / f"{kind}{suffix}")
        assert (tmp_path / f"{kind}{suffix}").exists()


@pytest.mark.parametrize("kind", ["twist", "margin"])
def test_a_stored_cycle_gives_the_same_figure(spring: Cycle, kind: str, tmp_path: Path) -> None:
    write_cycle(spring, tmp_path / "cycle.h5")
    draw(spring, kind, tmp_path / "flown.png")
    draw(read_cycle(tmp_path / "cycle.h5"), kind, tmp_path / "stored.png")
    assert (tmp_path / "flown.png").read_bytes() == (tmp_path / "stored.png").read_bytes()


def test_twist_and_moments_are_the_series_closed_over_the_stroke(spring: Cycle) -> None:
    page = figure(spring, "twist")
    shown = {
        "Outer twist, tip relative to root": ("outer_twist_deg", "outer_twist_command_deg"),
        "Outer twist: moments": tuple(
            f"outer_twist_{name}_n_m" for name in ("air", "mass", "held", "damper", "stop")
        ),
    }
    for title, names in shown.items():
        axes = panel(page, title)
        for name in names:
            closed = np.append(spring.series[name], spring.series[name][0])
            assert any(np.array_equal(closed, curve) for curve in curves(axes)), name
    assert {"spring", "air", "mass", "damper", "stops"} <= set(
        words(panel(page, "Outer twist: moments")).split()
    )
    assert "spring at rest" in words(panel(page, "Outer twist, tip relative"))


def test_the_phase_portrait_shows_twist_rate_and_quarters_of_the_stroke(
    spring: Cycle,
) -> None:
    axes = panel(figure(spring, "twist"), "Outer twist: phase portrait")
    loop = max(axes.lines, key=lambda line: len(np.asarray(line.get_xdata())))
    np.testing.assert_array_equal(
        np.asarray(loop.get_xdata())[:-1], spring.series["outer_twist_deg"]
    )
    np.testing.assert_array_equal(
        np.asarray(loop.get_ydata())[:-1], spring.series["outer_twist_rate_deg_s"]
    )
    assert {"0°", "90°", "180°", "270°"} <= set(words(axes).split())


def test_floquet_multipliers_are_drawn_in_the_unit_circle(spring: Cycle) -> None:
    axes = panel(figure(spring, "twist"), "Floquet multipliers")
    crosses = [line for line in axes.lines if line.get_marker() == "x"]
    np.testing.assert_array_equal(np.asarray(crosses[0].get_xdata()), spring.multipliers.real)
    np.testing.assert_array_equal(np.asarray(crosses[0].get_ydata()), spring.multipliers.imag)
    (circle,) = axes.patches
    assert np.hypot(*np.asarray(circle.get_path().vertices).T) == pytest.approx(1.0, abs=1e-3)
    assert axes.get_aspect() == 1.0


def test_both_segments_are_shown_if_both_are_compliant(both: Cycle) -> None:
    assert len(titles(figure(both, "twist"))) == 2 * 3 + 1
    axes = panel(figure(both, "twist"), "Inner twist, tip relative to root")
    assert "behind the command" in axes.get_title(loc="left")
    assert "command" in words(axes)
    assert "actuator" in words(panel(figure(both, "twist"), "Inner twist: moments"))


def test_every_axis_has_its_unit(both: Cycle, spring: Cycle) -> None:
    pure_numbers = {"real part", "imaginary part"}
    for page in (figure(both, "twist"), figure(spring, "margin")):
        for axes in page.axes:
            for text in (axes.get_xlabel(), axes.get_ylabel()):
                if text and text not in pure_numbers:
                    unit = text.rpartition("(")[2].rstrip(")")
                    assert unit in {"°", "°/s", "N m", "1/s", "Hz", "m/s"}, text


def test_a_rigid_actuator_has_no_multipliers_and_no_margin(rigid: Cycle) -> None:
    assert not any(
        title.startswith("Floquet multipliers") for title in titles(figure(rigid, "twist"))
    )
    with pytest.raises(ValueError, match="needs a compliant twist"):
        figure(rigid, "margin")


def test_the_margin_marks_flight_and_divergence_speed() -> None:
    free = {"wing.twist_axis": 0.35, "stroke.outer.twist.stops_deg": [-60.0, 60.0]}
    aft = changed(SPRING, free)
    cycle = simulate(aft)
    still = stability_margins(aft, half_wing(aft))
    assert aft.flight.airspeed_m_s < still.divergence < still.airspeed[-1]
    axes = panel(figure(cycle, "margin"), "Held still")
    assert f"divergence at {number(still.divergence)} m/s" in axes.get_title(loc="left")
    assert "flown at 5.00 m/s" in words(axes)
    assert any(np.array_equal(curve, still.aperiodic, equal_nan=True) for curve in curves(axes))
    assert any(np.array_equal(curve, still.oscillatory, equal_nan=True) for curve in curves(axes))


@pytest.mark.parametrize("kind", ["twist", "margin"])
def test_a_driven_twist_is_refused_before_anything_is_simulated(
    kind: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("flapsim.cycle.simulate.simulate", lambda _: pytest.fail("simulated"))
    path = tmp_path / f"{kind}.png"
    assert main(["figure", str(GLASSHOUSE), "--kind", kind, "-o", str(path)]) == 2
    assert "every twist is driven" in capsys.readouterr().err
    assert not path.exists()


def test_the_command_line_draws_a_compliant_twist(tmp_path: Path) -> None:
    case = tmp_path / "spring.toml"
    case.write_text(changed(SPRING).to_toml(), encoding="utf-8")
    path = tmp_path / "twist.png"
    assert main(["figure", str(case), "--kind", "twist", "-o", str(path)]) == 0
    assert path.exists()
