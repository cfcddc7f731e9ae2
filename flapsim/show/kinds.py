"""Names and file formats of figures; light, so that ``--help`` need not load matplotlib."""

from __future__ import annotations

from typing import NamedTuple

SUFFIXES = (".png", ".svg", ".pdf")
"""Endings of the files that a figure can be written to."""

FILM_SUFFIXES = (".gif", ".mp4")
"""Endings of the files that an animation can be written to."""


class Kind(NamedTuple):
    """A figure of a stroke: what it shows, and whether it needs a compliant twist."""

    shows: str
    compliant: bool = False


KINDS = {
    "overview": Kind("motion, loads, incidence and power balance on one page"),
    "stroke": Kind("plunge, twist, sweep and heave against stroke phase"),
    "loads": Kind("lift, thrust and power against stroke phase"),
    "maps": Kind("incidence, forces and stall over span and stroke phase"),
    "span": Kind("mean lift, thrust and power along the span"),
    "watts": Kind("thrust power, wake loss and profile loss"),
    "twist": Kind(
        "compliant twist: response, moments, phase portrait and stability", compliant=True
    ),
    "margin": Kind("compliant twist: divergence and flutter speeds", compliant=True),
}
"""Every figure that ``flapsim figure`` draws; `flapsim.show.figures` draws them."""

DEFAULT_KIND = "overview"
