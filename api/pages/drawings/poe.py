"""The power of a switch by port, as ``GET /switches/{id}/power`` answers it.

One row a port, in the order in which ports keep power. Each bar begins where the one above it ends, so the
last one ends at all that is allocated; what lies beyond a stroke is hatched. Narrow enough for a phone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from django.utils.safestring import SafeString

from zones.limits.amounts import amount

from .svg import INK, LINE, PAPER, drawing, element, number, text

WIDTH: Final = 328.0
"""What a phone of 360 px has beside its margins."""
_LEFT: Final = 8.0
_RIGHT: Final = WIDTH - 8.0
_LINE: Final = 18.0
"""Height of a line of text."""
_ROW: Final = 36.0
_BAR: Final = 14.0
_MOST_LETTERS: Final = 32
"""Letters of a name that fit beside its watts."""

Answer = Mapping[str, Any]


def poe(power: Answer) -> SafeString:
    """A drawing of the ports that have something on them."""
    ports: Sequence[Answer] = power["ports"]
    measured: Answer | None = power["measured"]
    strokes = _strokes(power)
    known = [power["allocated_w"], *(watts for _, watts, _ in strokes)]
    most = max(known + ([measured["power_w"]] if measured else [])) or 1.0
    top = 6 + _LINE * len(strokes)
    bottom = top + len(ports) * _ROW

    def x(watts: float) -> float:
        return _LEFT + watts / most * (_RIGHT - _LEFT)

    parts = [_hatch()]
    for place, (words, watts, dash) in enumerate(strokes):
        parts += _stroke(words, x(watts), 6 + place * _LINE, bottom, dash)
    began = 0.0
    for place, port in enumerate(ports):
        parts += _port(port, x(began), x(port["cumulative_w"]), top + place * _ROW)
        began = port["cumulative_w"]
    parts += [
        element("path", class_="line", d=f"M{_LEFT:g} {bottom:g}H{_RIGHT:g}", stroke=LINE, fill="none"),
        text(_LEFT, bottom + _LINE, "0 W", css="soft"),
        text(_RIGHT, bottom + _LINE, amount(most, "W"), css="soft", anchor="end"),
    ]
    if measured:
        parts += _measured(measured["power_w"], x(measured["power_w"]), bottom)
    return drawing(
        "poe",
        f"Power by port, {power['switch']}",
        " ".join(power["sentences"]),
        WIDTH,
        bottom + _LINE * (2 if measured else 1) + 8,
        *parts,
    )


def _strokes(power: Answer) -> list[tuple[str, float, str | None]]:
    """The known budgets: words, watts, dashes."""
    budgets = (
        ("budget {}", power["budget_w"], None),
        ("one supply lost {}", power["budget_one_lost_w"], "5 3"),
    )
    return [
        (words.format(amount(watts, "W")), watts, dash) for words, watts, dash in budgets if watts is not None
    ]


def _hatch() -> SafeString:
    line = element("path", class_="ink", d="M0 6L6 0", stroke=INK, stroke_width=1.5)
    pattern = element("pattern", line, id="poe-hatch", width=6, height=6, patternUnits="userSpaceOnUse")
    return element("defs", pattern)


def _port(port: Answer, left: float, right: float, top: float) -> list[SafeString]:
    """The words of a port, and its bar below them: hatched where it is expected to lose power, outlined where
    its power is assumed."""
    lost = port["loses_power"] or port["loses_power_one_lost"]
    assumed = any(load["counted_by"] == "assumed" for load in port["loads"])
    box: dict[str, Any] = {
        "x": left,
        "y": top + _LINE,
        "width": max(right - left, 2.0),
        "height": _BAR,
        "stroke": INK,
        "stroke_width": 1.5,
        "stroke_dasharray": "3 2" if assumed else None,
    }
    bars = [element("rect", class_="ink paper-fill", fill=PAPER, **box)]
    if lost:
        bars.append(element("rect", class_="ink", fill="url(#poe-hatch)", **box))
    elif not assumed:
        bars = [element("rect", class_="ink ink-fill", fill=INK, **box)]
    name = _short(", ".join(load["name"] for load in port["loads"]))
    said = f"{port['number']} {name}, {amount(port['allocated_w'], 'W')}"
    return [_over_strokes(_LEFT, top + 13, said, bold=bool(lost)), *bars]


def _short(name: str) -> str:
    return name if len(name) <= _MOST_LETTERS else f"{name[: _MOST_LETTERS - 1]}…"


def _over_strokes(x: float, y: float, said: str, *, bold: bool = False, anchor: str = "start") -> SafeString:
    """Text that is read where a stroke crosses it."""
    return text(
        x,
        y,
        said,
        css="halo",
        anchor=anchor,
        stroke=PAPER,
        stroke_width=4,
        paint_order="stroke",
        font_weight="bold" if bold else None,
    )


def _stroke(words: str, at: float, top: float, bottom: float, dash: str | None) -> list[SafeString]:
    """A stroke through all rows, with its words at its head, on the side that has room."""
    anchor = "end" if at > WIDTH / 2 else "start"
    d = f"M{number(at)} {number(top)}V{number(bottom)}"
    return [
        element("path", class_="ink", d=d, stroke=INK, stroke_width=2, stroke_dasharray=dash, fill="none"),
        _over_strokes(at + (-6 if anchor == "end" else 6), top + 12, words, anchor=anchor),
    ]


def _measured(watts: float, at: float, bottom: float) -> list[SafeString]:
    anchor = "end" if at > WIDTH / 2 else "start"
    return [
        element("circle", class_="ink-fill", cx=at, cy=bottom, r=5.0, fill=INK),
        text(at, bottom + 2 * _LINE, f"measured {amount(watts, 'W')}", anchor=anchor),
    ]
