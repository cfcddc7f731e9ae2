"""Animations: files, frame rate, and the content of a frame."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
from matplotlib import rcParams
from matplotlib.animation import FFMpegWriter
from PIL import Image

from flapsim.case import parse_case, read_case
from flapsim.cycle.simulate import Cycle, simulate
from flapsim.show.film import Film, animate
from flapsim.show.posture import outline
from flapsim.show.style import styled

CASES = Path(__file__).parents[1] / "cases"


@pytest.fixture(scope="module")
def glasshouse() -> Cycle:
    return simulate(read_case(CASES / "glasshouse.toml"))


def film(cycle: Cycle, frames: int = 8) -> Film:
    with styled():
        return Film(cycle, frames, 5.0)


def all_words(shown: Film) -> str:
    page = shown.page
    texts = [*page.texts, *(text for axes in page.axes for text in axes.texts)]
    return " | ".join(text.get_text() for text in texts)


def test_the_glasshouse_gif_is_one_stroke_at_a_constant_rate(
    glasshouse: Cycle, tmp_path: Path
) -> None:
    path = tmp_path / "stroke.gif"
    animate(glasshouse, path)
    with Image.open(path) as picture:
        assert picture.n_frames == 48
        assert picture.info["loop"] == 0  # for ever
        durations = set()
        for index in range(picture.n_frames):
            picture.seek(index)
            durations.add(picture.info["duration"])
    assert durations == {50}


def test_every_frame_shows_the_wing_at_its_phase(glasshouse: Cycle) -> None:
    shown = film(glasshouse)
    edge = shown.page.axes[0].lines[0]
    tips = []
    for frame in range(8):
        shown.show(frame)
        tips.append(float(np.asarray(edge.get_ydata())[-1]))
    inner = outline(glasshouse, shown.tau)[0]
    np.testing.assert_allclose(tips, inner.leading[2, -1])
    assert np.ptp(tips) > 0.1


@pytest.mark.parametrize("name", ["plunging_wing", "pitching_wing", "student_flapper"])
def test_wings_of_one_segment_are_animated(name: str, tmp_path: Path) -> None:
    path = tmp_path / f"{name}.GIF"
    animate(simulate(read_case(CASES / f"{name}.toml")), path, frames=4)
    with Image.open(path) as picture:
        assert picture.n_frames == 4


def test_a_frame_states_phase_direction_pace_and_scale_of_force(glasshouse: Cycle) -> None:
    shown = film(glasshouse)
    shown.show(1)
    assert "phase 45°, moving down" in all_words(shown)
    shown.show(6)
    assert "phase 270°, moving up" in all_words(shown)
    assert "5.00 times slower than in flight" in all_words(shown)
    assert "N per metre of span" in all_words(shown)
    assert {axes.get_ylabel() for axes in shown.page.axes} >= {"lift (N)", "net thrust (N)"}


def test_arrows_have_one_scale_in_both_views(glasshouse: Cycle) -> None:
    shown = film(glasshouse)
    shown.show(2)
    ahead, side = shown.page.axes[:2]
    outer_tip_ahead = ahead.collections[0].V[-1]
    outer_tip_side = side.collections[0].V[-1]
    assert outer_tip_ahead == pytest.approx(outer_tip_side)
    for axes in (ahead, side):
        across = np.ptp(axes.get_xlim()) / axes.get_position().width / shown.page.get_figwidth()
        up = np.ptp(axes.get_ylim()) / axes.get_position().height / shown.page.get_figheight()
        assert across == pytest.approx(up)


def test_a_port_wing_with_its_own_stroke_moves_by_it_and_carries_no_arrows(
    glasshouse: Cycle, tmp_path: Path
) -> None:
    text = (CASES / "glasshouse.toml").read_text()
    port = "\n[stroke.port.inner]\nplunge = { mean_deg = 4.0, amplitude_deg = 5.0 }\n"
    turning = simulate(parse_case(text + port, CASES))
    both, one = film(glasshouse), film(turning)
    for shown in (both, one):
        shown.show(0)
    # The arrow of known size is one more.
    assert len(both.page.axes[0].collections) == 3
    assert len(one.page.axes[0].collections) == 2
    assert "aerodynamic force on the starboard wing" in all_words(one)
    animate(turning, tmp_path / "turn.gif", frames=3)
    (starboard, *_), _, (port, *_), _ = one._parts
    assert starboard.axis[2, -1, 0] > 1.5 * port.axis[2, -1, 0]


def test_wings_without_airspeed_or_without_forces_are_animated(
    glasshouse: Cycle, tmp_path: Path
) -> None:
    hovering = simulate(glasshouse.case.replace({"flight.airspeed_m_s": 0.0}))
    animate(hovering, tmp_path / "hover.gif", frames=3)
    nowhere = {
        name: np.full_like(values, np.nan) if values.ndim == 2 else values
        for name, values in glasshouse.strips.items()
    }
    animate(dataclasses.replace(glasshouse, strips=nowhere), tmp_path / "nan.gif", frames=3)
    for name in ("hover.gif", "nan.gif"):
        with Image.open(tmp_path / name) as picture:
            assert picture.n_frames == 3


@pytest.mark.parametrize("name", ["stroke.avi", "stroke"])
def test_a_wrong_ending_is_refused_with_the_right_ones(
    glasshouse: Cycle, name: str, tmp_path: Path
) -> None:
    with pytest.raises(ValueError, match=r"\.gif, \.mp4"):
        animate(glasshouse, tmp_path / name)
    assert not list(tmp_path.iterdir())


def test_an_mp4_without_ffmpeg_is_refused_with_a_message(
    glasshouse: Cycle, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(FFMpegWriter, "isAvailable", classmethod(lambda _: False))
    with pytest.raises(ValueError, match=r"stroke\.mp4: an MP4 needs ffmpeg.*\.gif"):
        animate(glasshouse, tmp_path / "stroke.mp4")
    assert not list(tmp_path.iterdir())


def test_an_mp4_is_written_if_ffmpeg_is_installed(
    glasshouse: Cycle, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(rcParams, "animation.ffmpeg_path", imageio_ffmpeg.get_ffmpeg_exe())
    animate(glasshouse, tmp_path / "stroke.mp4", frames=4)
    assert (tmp_path / "stroke.mp4").read_bytes()[4:8] == b"ftyp"


@pytest.mark.parametrize(("frames", "rate"), [(1, 20), (48, 0), (48, 51)])
def test_too_few_frames_or_an_impossible_rate_are_refused(
    glasshouse: Cycle, frames: int, rate: int, tmp_path: Path
) -> None:
    with pytest.raises(ValueError, match="at least 2 frames and 1 to 50"):
        animate(glasshouse, tmp_path / "stroke.gif", frames=frames, frames_per_second=rate)
