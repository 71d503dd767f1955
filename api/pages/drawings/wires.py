"""Conductors as they look: the base colour with narrow rings of its band. The name stands beside each, since
white-blue is not blue-white, and not everybody tells the two apart by eye."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from django.utils.safestring import SafeString

from .svg import element

LENGTH: Final = 36.0
THICKNESS: Final = 10.0
RING: Final = 4.0
"""Width of a ring. There are two at most, so the base keeps 28 of 36 px."""
_RINGS: Final = (10.0, 26.0)

COLOURS: Final = {
    "white": "#ffffff",
    "red": "#c4252b",
    "black": "#1d1d1d",
    "yellow": "#f0cf24",
    "violet": "#7a3f9d",
    "blue": "#2360b8",
    "orange": "#e5761c",
    "green": "#2d8540",
    "brown": "#7b4b25",
    "slate": "#8a949c",
    "grey": "#8a949c",
    "gray": "#8a949c",
}
"""Colours of wires, the same on paper and in the dark scheme."""


def wire(colour: str, wire_id: str) -> SafeString:
    """A stub of a conductor at 0, 0 that ``<use>`` shows by its id. Its outline is the stroke of the group
    where it is used, since what is defined by itself takes no colour of the scheme. colour: as the record
    names it; one that is not recorded, or has no name here, is a broken outline."""
    base, _, band = colour.partition("-")
    fill, rings = COLOURS.get(base), COLOURS.get(band)
    known = fill is not None and (rings is not None or not band)
    stub = element(
        "rect",
        width=LENGTH,
        height=THICKNESS,
        fill=fill if known else "none",
        stroke_dasharray=None if known else "3 2",
    )
    ringed = element(
        "path",
        d="".join(f"M{x:g} .5V{THICKNESS - 0.5:g}" for x in _RINGS),
        stroke=rings,
        stroke_width=RING,
    )
    return element("g", stub, ringed if known and rings else "", id=wire_id)


def wires(colours: Iterable[str], prefix: str) -> tuple[list[SafeString], dict[str, str]]:
    """A stub of each of these once, and the reference to it by its colour."""
    named = {colour: f"{prefix}{number}" for number, colour in enumerate(dict.fromkeys(colours))}
    stubs = [wire(colour, wire_id) for colour, wire_id in named.items()]
    return stubs, {colour: f"#{wire_id}" for colour, wire_id in named.items()}
