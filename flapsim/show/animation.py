"""The wing in motion, written as a film.

Answers: how does the stroke become a GIF or an MP4 at a constant frame rate? What a frame shows is
decided in :mod:`flapsim.show.film`.
"""

from __future__ import annotations

from pathlib import Path

from matplotlib.animation import AbstractMovieWriter, FFMpegWriter, PillowWriter

from flapsim.cycle.simulate import Cycle
from flapsim.show.film import Film
from flapsim.show.style import styled

__all__ = ["FILM_SUFFIXES", "animate"]

FILM_SUFFIXES = (".gif", ".mp4")
"""Kinds of file an animation can become."""

_DOTS_PER_INCH = 100  # even numbers of dots each way, as an MP4 needs

# Strokes in a film: a GIF repeats by itself.
_STROKES = {".gif": 1, ".mp4": 3}


def animate(cycle: Cycle, path: str | Path, frames: int = 48, frames_per_second: int = 20) -> None:
    """Film the stroke, frame by frame at a constant rate.

    Parameters
    ----------
    cycle : Cycle
        What `flapsim.simulate` or `flapsim.read_cycle` returned.
    path : str or Path
        File name ending in one of `FILM_SUFFIXES`. A GIF repeats one stroke for ever; an MP4 shows
        three and needs the program ffmpeg.
    frames : int
        Frames per stroke, at least 2.
    frames_per_second : int
        Rate at which they are shown, 1 to 50.

    Raises
    ------
    ValueError
        If the ending of the file name is none of `FILM_SUFFIXES`, if ffmpeg is missing for an
        MP4, or if frames or rate are out of range; the message says what would do.
    """
    target = Path(path)
    if frames < 2 or not 1 <= frames_per_second <= 50:
        raise ValueError(
            f"{frames} frames at {frames_per_second} a second are no film:"
            " at least 2 frames, 1 to 50 a second expected"
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
        raise ValueError(f"{path}: an animation is written as {', '.join(FILM_SUFFIXES)}")
    if suffix == ".gif":
        return PillowWriter(fps=frames_per_second)
    if not FFMpegWriter.isAvailable():
        raise ValueError(
            f"{path}: an MP4 needs the program ffmpeg, which is not installed here;"
            " install it, or write a .gif"
        )
    return FFMpegWriter(fps=frames_per_second, extra_args=["-pix_fmt", "yuv420p"])
