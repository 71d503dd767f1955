"""What every drawing is made of: elements, and the frame with its title and description."""

from __future__ import annotations

import functools
from typing import Any, Final

from django.utils.html import conditional_escape
from django.utils.safestring import SafeString

INK: Final = "#1c1d1f"
PAPER: Final = "#fbfaf6"
SOFT: Final = "#5a5c60"
LINE: Final = "#85878c"
TEXT_PX: Final = 13
"""Never under 12 px where the drawing is shown at its own size."""


def element(name: str, *inner: str, **attributes: Any) -> SafeString:
    """``<name attributes>inner</name>``; text and values are escaped. ``class_``, ``text_anchor`` and the
    like are written as SVG names them; a number has two decimals at most."""
    written = "".join(
        f' {_written(key)}="{number(value) if isinstance(value, float) else conditional_escape(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    return SafeString(f"<{name}{written}>{together(*inner)}</{name}>")


@functools.cache
def _written(key: str) -> str:
    return key.rstrip("_").replace("_", "-")


def together(*parts: str) -> SafeString:
    return SafeString("".join(map(conditional_escape, parts)))


def text(
    x: float, y: float, said: str, *, css: str = "", anchor: str = "start", **attributes: Any
) -> SafeString:
    """A line of text whose baseline is at y."""
    return element(
        "text",
        said,
        x=float(x),
        y=float(y),
        class_=f"label {css}".strip(),
        font_size=TEXT_PX,
        text_anchor=None if anchor == "start" else anchor,
        fill=attributes.pop("fill", INK),
        **attributes,
    )


def drawing(name: str, title: str, description: str, width: float, height: float, *inner: str) -> SafeString:
    """The whole. name: the class by which the stylesheet knows it; title: its verdict or what it shows;
    description: the sentence that a screen reader says."""
    return element(
        "svg",
        element("title", title),
        element("desc", description),
        *inner,
        class_=f"drawing {name}",
        role="img",
        width=float(width),
        height=float(height),
        viewBox=f"0 0 {number(width)} {number(height)}",
    )


def number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
