"""Figures: files, labels with units, and the data that they show."""

from __future__ import annotations

import dataclasses
import os
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image

from flapsim.case import read_case
from flapsim.cycle.files import read_cycle, write_cycle
from flapsim.cycle.simulate import Cycle, simulate
from flapsim.show.figures import draw, figure
from flapsim.show.kinds import KINDS, SUFFIXES
from flapsim.show.posture import downstroke, outline, sections
from flapsim.show.style import blank_figure, number, spread_labels

PROJECT = Path(__file__).parents[1]
CASES = ("glasshouse", "plunging_wing", "student_flapper")
EVERY = [name for name, kind in KINDS.items() if not kind.compliant]


@pytest.fixture(scope="module")
def cycles() -> dict[str, Cycle]:
    names = (*CASES, "linkage_driven", "pitching_wing")
    return {name: simulate(read_case(PROJECT / "cases" / f"{name}.toml")) for name in names}


@pytest.fixture(scope="module")
def glasshouse(cycles: dict[str, Cycle]) -> Cycle:
    return cycles["glasshouse"]


def panel(figure: Figure, title: str) -> Axes:
    (found,) = [axes for axes in figure.axes if axes.get_title(loc="left").startswith(title)]
    return found


def titles(figure: Figure) -> list[str]:
    return [axes.get_title(loc="left") for axes in figure.axes if axes.get_title(loc="left")]


def words(axes: Axes) -> str:
    return " ".join(text.get_text() for text in axes.texts)


# --- files ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", EVERY)
@pytest.mark.parametrize("name", CASES)
def test_every_figure_is_written_in_every_format(
    cycles: dict[str, Cycle], name: str, kind: str, tmp_path: Path
) -> None:
    files = {suffix: tmp_path / f"{kind}{suffix}" for suffix in SUFFIXES}
    for path in files.values():
        draw(cycles[name], kind, path)
    with Image.open(files[".png"]) as picture:
        assert picture.format == "PNG"
    assert ElementTree.parse(files[".svg"]).getroot().tag.endswith("svg")
    pages = files[".pdf"].read_bytes()
    assert pages.startswith(b"%PDF")
    assert pages.rstrip().endswith(b"%%EOF")


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_the_same_cycle_gives_the_same_file(glasshouse: Cycle, suffix: str, tmp_path: Path) -> None:
    once, again = tmp_path / f"once{suffix}", tmp_path / f"again{suffix}"
    draw(glasshouse, "watts", once)
    draw(glasshouse, "watts", again)
    assert once.read_bytes() == again.read_bytes()


def test_a_stored_cycle_gives_the_same_figure(glasshouse: Cycle, tmp_path: Path) -> None:
    write_cycle(glasshouse, tmp_path / "cycle.h5")
    stored = read_cycle(tmp_path / "cycle.h5")
    for kind in ("overview", "stroke"):
        draw(glasshouse, kind, tmp_path / "flown.png")
        draw(stored, kind, tmp_path / "stored.png")
        assert (tmp_path / "flown.png").read_bytes() == (tmp_path / "stored.png").read_bytes()


def test_a_wrong_ending_is_refused_with_the_right_ones(glasshouse: Cycle, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"stroke\.jpeg.*\.png, \.svg, \.pdf"):
        draw(glasshouse, "stroke", tmp_path / "stroke.jpeg")
    assert not list(tmp_path.iterdir())


def test_an_unknown_kind_is_refused_with_the_known_ones(glasshouse: Cycle, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"overview, stroke, loads, maps, span, watts.*found lfit"):
        draw(glasshouse, "lfit", tmp_path / "lift.png")


def test_drawing_needs_no_screen_and_no_pyplot(glasshouse: Cycle, tmp_path: Path) -> None:
    write_cycle(glasshouse, tmp_path / "cycle.h5")
    program = (
        "import sys\n"
        "from flapsim.cycle.files import read_cycle\n"
        "from flapsim.show.film import animate\n"
        "from flapsim.show.figures import draw\n"
        f"cycle = read_cycle({str(tmp_path / 'cycle.h5')!r})\n"
        f"draw(cycle, 'stroke', {str(tmp_path / 'stroke.png')!r})\n"
        f"animate(cycle, {str(tmp_path / 'stroke.gif')!r}, frames=2)\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    screen = {"DISPLAY", "WAYLAND_DISPLAY", "MPLBACKEND"}
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=PROJECT,
        env={name: value for name, value in os.environ.items() if name not in screen},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "stroke.png").exists()


# --- labels ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", EVERY)
@pytest.mark.parametrize("name", CASES)
def test_every_axis_has_its_unit(cycles: dict[str, Cycle], name: str, kind: str) -> None:
    pure_numbers = {"attached fraction"}
    seen = 0
    for axes in figure(cycles[name], kind).axes:
        for text in (axes.get_xlabel(), axes.get_ylabel()):
            if text and text not in pure_numbers:
                unit = text.rpartition("(")[2].rstrip(")")
                assert unit in {"°", "m", "N", "W", "N/m", "W/m"}, text
                seen += 1
    assert seen >= 1


@pytest.mark.parametrize(
    ("kind", "labels"),
    [
        ("loads", {"lift (N)", "net thrust (N)", "power (W)"}),
        ("span", {"lift per span (N/m)", "thrust per span (N/m)", "power per span (W/m)"}),
        ("stroke", {"plunge (°)", "twist (°)"}),
        ("maps", {"incidence (°)", "force per span (N/m)", "thrust per span (N/m)"}),
        ("watts", set()),
    ],
)
def test_axes_name_what_they_show(glasshouse: Cycle, kind: str, labels: set[str]) -> None:
    page = figure(glasshouse, kind)
    assert labels <= {axes.get_ylabel() for axes in page.axes}
    assert glasshouse.case.title in {text.get_text() for text in page.texts}


def test_numbers_are_printed_with_three_digits_and_a_true_minus() -> None:
    printed = {
        2.4003: "2.40",
        0.086148: "0.0861",
        -1.2345: "−1.23",
        128.04: "128",
        9.999: "10.0",
        54321.0: "54321",
        1.5e-7: "1.50 × 10⁻⁷",
        0.0: "0",
        float("nan"): "no value",
    }
    assert {value: number(value) for value in printed} == printed
    assert number(3e-17, scale=1.0) == "0"


def test_labels_of_curves_with_equal_ends_do_not_overlap() -> None:
    page = blank_figure(4.0, 2.0)
    axes = page.add_axes((0.1, 0.1, 0.6, 0.8))
    axes.set_ylim(-1.0, 1.0)
    ends = {"first": 0.0, "second": 0.0, "third\nin two lines": 0.01, "far": 0.9}
    spread_labels(axes, [(name, value, "black") for name, value in ends.items()])
    page.draw_without_rendering()
    # The text alone, without its leader line.
    boxes = sorted((Text.get_window_extent(text) for text in axes.texts), key=lambda box: box.y0)
    assert len(boxes) == 4
    for lower, upper in pairwise(boxes):
        assert lower.y1 <= upper.y0 + 1.0  # a pixel of rounding


# --- the data shown ----------------------------------------------------------


@pytest.mark.parametrize(
    ("title", "name"),
    [("Lift", "lift_n"), ("Net thrust", "thrust_n"), ("Power", "aero_power_w")],
)
def test_load_curves_are_the_series_closed_over_the_stroke(
    glasshouse: Cycle, title: str, name: str
) -> None:
    axes = panel(figure(glasshouse, "loads"), title)
    shown = [np.asarray(line.get_ydata()) for line in axes.lines]
    for series in (name, f"inner_{name}", f"outer_{name}"):
        closed = np.append(glasshouse.series[series], glasshouse.series[series][0])
        assert any(np.array_equal(closed, curve) for curve in shown), series
    assert {"inner", "outer", "both", "mean"} <= set(words(axes).split())


def test_a_wing_of_one_segment_is_not_split(cycles: dict[str, Cycle]) -> None:
    student = cycles["student_flapper"]
    assert "inner" not in words(panel(figure(student, "loads"), "Lift"))
    assert titles(figure(student, "watts")) == ["The whole wing"]
    assert titles(figure(cycles["glasshouse"], "watts")) == [
        "The whole wing",
        "Inner segments",
        "Outer segments",
    ]


def test_constant_zero_motions_get_no_panel(cycles: dict[str, Cycle]) -> None:
    assert titles(figure(cycles["glasshouse"], "stroke")) == ["Plunge, tip up", "Twist, nose up"]
    assert titles(figure(cycles["plunging_wing"], "stroke")) == ["Heave of the whole wing"]
    assert titles(figure(cycles["pitching_wing"], "stroke")) == ["Twist, nose up"]


def test_a_swept_outer_segment_gets_its_panel(glasshouse: Cycle) -> None:
    swept = simulate(glasshouse.case.replace({"stroke.outer.sweep.amplitude_deg": 12.0}))
    axes = panel(figure(swept, "stroke"), "Sweep")
    (curve,) = [line for line in axes.lines if len(np.asarray(line.get_xdata())) > 2]
    assert np.ptp(np.asarray(curve.get_ydata())) == pytest.approx(24.0, rel=1e-3)


def test_bars_step_down_from_aerodynamic_to_thrust_power(
    cycles: dict[str, Cycle],
) -> None:
    for cycle in cycles.values():
        axes = panel(figure(cycle, "watts"), "The whole wing")
        given, wake, profile, thrust = axes.patches
        ends = [bar.get_x() + bar.get_width() for bar in (given, wake, profile, thrust)]
        assert ends[0] == pytest.approx(cycle.mean["aero_power_w"])
        assert given.get_width() - ends[1] == pytest.approx(cycle.mean["wake_loss_w"])
        # The energy balance of the run, to its rounding: the last step lands on thrust times speed.
        scale = cycle.mean["aero_power_w"] + cycle.mean["wake_loss_w"]
        assert ends[2] == pytest.approx(ends[3], abs=1e-9 * scale)
        assert ends[3] == pytest.approx(cycle.mean["thrust_power_w"])


def test_stalled_parts_are_hatched(cycles: dict[str, Cycle]) -> None:
    def hatched(cycle: Cycle) -> int:
        page = figure(cycle, "maps")
        return sum(bool(getattr(part, "hatches", [None])[0]) for axes in page.axes
                   for part in axes.collections)  # fmt: skip

    assert cycles["student_flapper"].check["stalled_fraction"] > 0.1
    assert hatched(cycles["student_flapper"]) == 4
    assert cycles["glasshouse"].check["stalled_fraction"] == 0.0
    assert hatched(cycles["glasshouse"]) == 0


def test_maps_mark_the_wrist_of_a_two_segment_wing(cycles: dict[str, Cycle]) -> None:
    for name, hinged in (("glasshouse", True), ("plunging_wing", False)):
        axes = panel(figure(cycles[name], "maps"), "Effective incidence")
        assert ("wrist" in words(axes)) == hinged


def test_mean_loads_along_the_span_add_up_to_the_loads_of_the_wing(glasshouse: Cycle) -> None:
    page = figure(glasshouse, "span")
    for title, name in (("Lift", "lift_n"), ("Thrust", "thrust_n"), ("Power", "aero_power_w")):
        thickest = max(line.get_linewidth() for line in panel(page, title).lines)
        shown = [
            np.asarray(line.get_ydata())
            for line in panel(page, title).lines
            if line.get_linewidth() == thickest
        ]
        one_wing = float(np.concatenate(shown) @ glasshouse.strips["width_m"])
        assert 2.0 * one_wing == pytest.approx(glasshouse.mean[name], rel=1e-9)


def test_the_downstroke_of_a_linkage_is_that_of_its_plunge(
    cycles: dict[str, Cycle],
) -> None:
    ((begin, end),) = downstroke(cycles["linkage_driven"])
    plunge = cycles["linkage_driven"].series["inner_plunge_deg"]
    # The grid of the series is 1/128 of the stroke.
    assert end - begin == pytest.approx(2 * np.pi * np.argmin(plunge) / len(plunge), abs=0.05)
    assert (end - begin) / (2 * np.pi) == pytest.approx(0.45, abs=0.01)


def test_a_wing_that_only_pitches_has_no_downstroke(cycles: dict[str, Cycle]) -> None:
    assert downstroke(cycles["pitching_wing"]) == []
    ((begin, end),) = downstroke(cycles["plunging_wing"])
    assert (begin, end) == pytest.approx((0.0, np.pi), abs=0.005)


# --- geometry behind the drawings ----------------------------------------------------------------


def test_forces_on_the_sections_are_lift_and_thrust_of_the_strips(cycles: dict[str, Cycle]) -> None:
    for cycle in cycles.values():
        force = sections(cycle, cycle.phase).force
        scale = np.abs(cycle.strips["normal_force_n_m"]).max()
        # Both resolve the same two forces; the schedules are read back from 128 samples.
        np.testing.assert_allclose(force[2], cycle.strips["lift_n_m"], atol=1e-4 * scale)
        np.testing.assert_allclose(-force[0], cycle.strips["thrust_n_m"], atol=1e-4 * scale)


def test_segments_meet_at_the_wrist_and_the_port_wing_mirrors_the_starboard_one(
    glasshouse: Cycle,
) -> None:
    phases = np.linspace(0.0, 6.0, 7)
    inner, outer = outline(glasshouse, phases)
    np.testing.assert_allclose(inner.axis[:, -1], outer.axis[:, 0], atol=1e-12)
    port = outline(glasshouse, phases, "port")
    for ours, theirs in zip((inner, outer), port, strict=True):
        np.testing.assert_allclose(
            theirs.leading, ours.leading * np.array([1.0, -1.0, 1.0])[:, None, None]
        )


def test_the_tip_of_a_stretched_wing_follows_from_trigonometry(
    cycles: dict[str, Cycle],
) -> None:
    cycle = cycles["student_flapper"]
    case = cycle.case
    (wing,) = outline(cycle, [0.0])
    plunge = np.radians(case.stroke.inner.plunge.mean_deg + case.stroke.inner.plunge.amplitude_deg)
    length, offset = case.wing.inner.length_m, case.craft.shoulder_offset_m
    pitch = np.radians(case.flight.pitch_deg)
    height = length * np.sin(plunge)
    expected = (height * np.sin(pitch), offset + length * np.cos(plunge), height * np.cos(pitch))
    np.testing.assert_allclose(wing.axis[:, -1, 0], expected, atol=1e-9)


# --- edge cases --------------------------------------------------------------------------


def test_a_wing_without_airspeed_is_drawn(glasshouse: Cycle, tmp_path: Path) -> None:
    hovering = simulate(glasshouse.case.replace({"flight.airspeed_m_s": 0.0}))
    for kind in EVERY:
        draw(hovering, kind, tmp_path / f"{kind}.png")
    assert "no value" in {text.get_text() for text in figure(hovering, "overview").texts}


def test_a_motionless_wing_is_drawn(glasshouse: Cycle, tmp_path: Path) -> None:
    amplitudes = [
        "stroke.inner.plunge.amplitude_deg",
        "stroke.inner.twist.tip_amplitude_deg",
        "stroke.outer.plunge.amplitude_deg",
        "stroke.outer.twist.tip_amplitude_deg",
    ]
    still = simulate(glasshouse.case.replace(dict.fromkeys(amplitudes, 0.0)))
    assert downstroke(still) == []
    for kind in EVERY:
        draw(still, kind, tmp_path / f"{kind}.png")


@pytest.mark.parametrize("everything", [False, True])
def test_missing_numbers_leave_gaps_and_no_traceback(
    glasshouse: Cycle, everything: bool, tmp_path: Path
) -> None:
    moving = {name for name in glasshouse.series if name.endswith("_deg") or name == "heave_m"}

    def holed(values: np.ndarray) -> np.ndarray:
        out = np.array(values, dtype=float)
        out[..., : None if everything else 9] = np.nan
        return out

    series = {n: v if n in moving else holed(v) for n, v in glasshouse.series.items()}
    strips = {n: holed(v) if v.ndim == 2 else v for n, v in glasshouse.strips.items()}
    mean = dict.fromkeys(glasshouse.mean, float("nan"))
    segments = {n: dict.fromkeys(v, float("nan")) for n, v in glasshouse.segments.items()}
    check = dict.fromkeys(glasshouse.check, float("nan"))
    broken = dataclasses.replace(
        glasshouse, series=series, strips=strips, mean=mean, segments=segments, check=check
    )
    for kind in EVERY:
        draw(broken, kind, tmp_path / f"{kind}.png")
    assert "no value" in words(panel(figure(broken, "watts"), "The whole wing"))


def test_warnings_are_on_the_overview(cycles: dict[str, Cycle]) -> None:
    student = cycles["student_flapper"]
    assert student.notes
    page = " ".join(text.get_text() for text in figure(student, "overview").texts)
    assert student.notes[0] in page
