"""The wing in motion, written as GIF or MP4; `flapsim.show.film` draws the frames."""

from __future__ import annotations

from pathlib import Path

from matplotlib.animation import AbstractMovieWriter, FFMpegWriter, PillowWriter

from flapsim.cycle.simulate import Cycle
from flapsim.show.film import Film
from flapsim.show.kinds import FILM_SUFFIXES
from flapsim.show.style import styled

_DOTS_PER_INCH = 100  # an MP4 needs even numbers of pixels

# Strokes in a file; a GIF repeats by itself.
_STROKES = {".gif": 1, ".mp4": 3}


def animate(cycle: Cycle, path: str | Path, frames: int = 48, frames_per_second: int = 20) -> None:
    """Write an animation of the stroke, at least 2 frames of it at 1 to 50 per second.

    A GIF repeats one stroke for ever; an MP4 shows three and needs ffmpeg. Raises a ValueError for
    another ending of the file name, a missing ffmpeg, or frames or rate out of range.
    """
    target = Path(path)
    if frames < 2 or not 1 <= frames_per_second <= 50:
        raise ValueError(
            "expected at least 2 frames and 1 to 50 frames per second,"
            f" found {frames} and {frames_per_second}"
        )
    writer = _writer(target, frames_per_second)
    slower = frames / frames_per_second * cycle.case.stroke.frequency_hz
    with styled():
        film = Film(cycle, frames, slower)
        with writer.saving(film.page, str(target), _DOTS_PER_INCH):
            for frame in list(range(frames)) * _STROKES[target.suffix.lower()]:
                film.show(frame)
                writer.grab_frame()


def _writer(path: Path, frames_per_second: int) -> AbstractMovieWriter:
    suffix = path.suffix.lower()
    if suffix not in FILM_SUFFIXES:
        raise ValueError(
            f"{path}: the name of an animation should end in {', '.join(FILM_SUFFIXES)}"
        )
    if suffix == ".gif":
        return PillowWriter(fps=frames_per_second)
    if not FFMpegWriter.isAvailable():
        raise ValueError(
            f"{path}: an MP4 needs ffmpeg, which is not installed; install it or write a .gif"
        )
    return FFMpegWriter(fps=frames_per_second, extra_args=["-pix_fmt", "yuv420p"])
