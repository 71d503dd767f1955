"""The reach: the mark beside a figure that shows how far it reaches towards its limit.

The limit always stands at two thirds of the line, so columns of figures align, and past lies to the right for
minimums too. Pure: the SVG has presentation attributes only, so it is the same on a page, on paper and in a
PDF; the classes let the stylesheet give it the colours of the dark scheme.
"""

from __future__ import annotations

from typing import Final

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from zones.electrical.estimates import Estimate, Estimates
from zones.electrical.verdicts import Verdict
from zones.limits.limit import Limit

from .svg import INK, LINE, PAPER, number

WIDTH: Final = 140.0
HEIGHT: Final = 18.0
END: Final = 1.5
"""Where the line ends; 0: nothing is used; 1: the limit."""
LEAST_BAR: Final = 3.0
_MIDDLE: Final = HEIGHT / 2


def reach(limit: Limit, estimates: Estimates, verdict: Verdict) -> SafeString:
    """The mark of a figure as SVG; its title is the figure with its range, and the limit."""
    title = f"{limit.band_text(estimates)}; {limit.limit_text(estimates.likely.limit)}"
    return format_html(
        '<svg class="reach" role="img" width="{0}" height="{1}" viewBox="0 0 {0} {1}"><title>{2}</title>'
        "{3}</svg>",
        f"{WIDTH:g}",
        f"{HEIGHT:g}",
        title,
        _inside(limit, estimates, verdict),
    )


def _inside(limit: Limit, estimates: Estimates, verdict: Verdict) -> SafeString:
    likely = estimates.likely
    if limit.counts_faults:
        return _text("?" if likely.value is None else limit.number(likely.value))
    known = [one for one in estimates if one.value is not None or one.overloaded]
    if not known:
        return _text("?")
    at = {id(one): _place(limit, one, estimates) for one in known}
    no_limit = any(one.limit is None for one in known)
    places = list(at.values())
    dot = at.get(id(likely))
    return format_html(
        '<path class="line" d="M0 {}H{}" stroke="{}"/>{}{}{}{}',
        f"{_MIDDLE:g}",
        f"{WIDTH:g}",
        LINE,
        _bar(min(places), max(places), filled=verdict is Verdict.PAST, dashed=no_limit),
        # The stroke crosses the bar; where that is filled it is not in the way
        "" if no_limit else _stroke(),
        "" if dot is None else _dot(dot, reverse=verdict is Verdict.PAST),
        _arrow(filled=verdict is Verdict.PAST) if max(places) > END else "",
    )


def _place(limit: Limit, one: Estimate, estimates: Estimates) -> float:
    """1 less the share of the limit that is left. Without any limit the greatest value is at 1: nothing is
    said of what is allowed."""
    if one.overloaded or one.value is None:
        return END + 1
    if one.limit is None:
        most = max(abs(other.value) for other in estimates if other.value is not None)
        return abs(one.value) / most if most else 0.0
    left = limit.share_left(one.value, one.limit)
    if left is None:  # nothing is allowed
        return END + 1 if one.value > one.limit else 1.0
    return 1 - left


def _x(place: float) -> float:
    return min(max(place, 0.0), END) / END * WIDTH


def _bar(first: float, last: float, *, filled: bool, dashed: bool) -> SafeString:
    left, right = _x(first), _x(last)
    width = max(right - left, LEAST_BAR)
    left = min(left - (width - (right - left)) / 2, WIDTH - width)
    return format_html(
        '<rect class="{}" x="{}" y="{}" width="{}" height="12" fill="{}" stroke="{}" stroke-width="1.5"{}/>',
        "bar past" if filled else "bar",
        number(max(left, 0.0)),
        number(_MIDDLE - 6),
        number(width),
        INK if filled else PAPER,
        INK,
        SafeString(' stroke-dasharray="3 2"') if dashed else "",
    )


def _stroke() -> SafeString:
    return format_html(
        '<path class="limit" d="M{} 0V{}" stroke="{}" stroke-width="2"/>', number(_x(1)), f"{HEIGHT:g}", INK
    )


def _dot(place: float, *, reverse: bool) -> SafeString:
    return format_html(
        '<circle class="{}" cx="{}" cy="{}" r="3" fill="{}" stroke="{}"/>',
        "dot past" if reverse else "dot",
        number(_x(place)),
        number(_MIDDLE),
        PAPER if reverse else INK,
        INK,
    )


def _arrow(*, filled: bool) -> SafeString:
    """What lies beyond the end of the line."""
    end = WIDTH - 1
    return format_html(
        '<path class="{}" d="M{} {}L{} {}L{} {}" fill="none" stroke="{}" stroke-width="2"/>',
        "arrow past" if filled else "arrow",
        *map(number, (end - 5, _MIDDLE - 4, end, _MIDDLE, end - 5, _MIDDLE + 4)),
        PAPER if filled else INK,
    )


def _text(said: str) -> SafeString:
    return format_html_join(
        "",
        '<text class="{}" x="{}" y="{}" font-size="13" font-weight="bold" text-anchor="middle" fill="{}">{}'
        "</text>",
        [("said", number(WIDTH / 2), number(_MIDDLE + 4.5), INK, said)],
    )
