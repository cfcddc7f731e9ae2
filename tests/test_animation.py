"""Animations: frames, rate and size, and what stands on a frame."""

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
from flapsim.show.animation import animate
from flapsim.show.film import Film
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
    assert 50_000 < path.stat().st_size < 3_000_000
    with Image.open(path) as picture:
        assert picture.n_frames == 48
        assert picture.info["loop"] == 0  # for ever
        durations, frames = set(), []
        for index in range(picture.n_frames):
            picture.seek(index)
            durations.add(picture.info["duration"])
            frames.append(np.asarray(picture.convert("L"), dtype=float))
    assert durations == {50}
    # Every frame differs from the one before, the first one from the last.
    steps = [np.abs(a - b).mean() for a, b in zip(frames, frames[1:] + frames[:1], strict=True)]
    assert min(steps) > 0.05


@pytest.mark.parametrize("name", ["plunging_wing", "pitching_wing", "student_flapper"])
def test_wings_of_one_segment_are_filmed(name: str, tmp_path: Path) -> None:
    path = tmp_path / f"{name}.GIF"
    animate(simulate(read_case(CASES / f"{name}.toml")), path, frames=4)
    with Image.open(path) as picture:
        assert picture.n_frames == 4


def test_a_frame_says_phase_direction_pace_and_scale_of_force(glasshouse: Cycle) -> None:
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


def test_a_port_wing_of_its_own_moves_on_its_own_and_carries_no_arrows(
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
    starboard, port_wing = one._halves
    assert starboard.outlines[0].axis[2, -1, 0] > 1.5 * port_wing.outlines[0].axis[2, -1, 0]


def test_a_wing_without_airspeed_and_one_without_forces_are_filmed(
    glasshouse: Cycle, tmp_path: Path
) -> None:
    hovering = simulate(glasshouse.case.replace({"flight.airspeed_m_s": 0.0}))
    animate(hovering, tmp_path / "hover.gif", frames=3)
    nowhere = {
        name: np.full_like(values, np.nan) if values.ndim == 2 else values
        for name, values in glasshouse.strips.items()
    }
    animate(dataclasses.replace(glasshouse, strips=nowhere), tmp_path / "nan.gif", frames=3)
    assert (tmp_path / "nan.gif").stat().st_size > 5_000


@pytest.mark.parametrize("name", ["stroke.avi", "stroke"])
def test_a_wrong_ending_is_refused_with_the_right_ones(
    glasshouse: Cycle, name: str, tmp_path: Path
) -> None:
    with pytest.raises(ValueError, match=r"\.gif, \.mp4"):
        animate(glasshouse, tmp_path / name)
    assert not list(tmp_path.iterdir())


def test_an_mp4_without_ffmpeg_is_refused_in_words(
    glasshouse: Cycle, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(FFMpegWriter, "isAvailable", classmethod(lambda _: False))
    with pytest.raises(ValueError, match=r"stroke\.mp4: an MP4 needs ffmpeg.*\.gif"):
        animate(glasshouse, tmp_path / "stroke.mp4")
    assert not list(tmp_path.iterdir())


def test_an_mp4_is_written_where_ffmpeg_is(
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
