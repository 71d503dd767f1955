"""What was read of one thing in one state over the years, each reading beside what it should have been.

What is expected is that of the day of each reading: it is drawn there and nowhere between, and nothing joins
the readings. A dot is what was read, its upright line what the instrument may be off by; a dot is filled
where the API says outside or failed, and dashed where it cannot be judged. The values in view are those that
are drawn, so that it shows which lie outside.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any, Final, TypeAlias

from django.utils.safestring import SafeString

from .axes import day_axis, hatch, scale, value_axis
from .svg import INK, PAPER, drawing, element, number, text

Test: TypeAlias = Mapping[str, Any]

WIDTH: Final = 328.0
"""As wide as the years of a figure."""
PLOT: Final = 120.0
TOP: Final = 10.0
LEFT: Final = 58.0
RIGHT: Final = WIDTH - 4.0
BAND: Final = 16.0
"""Width of what is expected."""
FIRST: Final = LEFT + BAND / 2 + 4
LAST: Final = RIGHT - BAND / 2 - 4
BELOW: Final = 26.0
_KEY: Final = 22.0
"""Height of a line of the key."""
FILLED: Final = frozenset({"outside", "failed"})
_JUDGED: Final = frozenset({"as_expected", "passed"}) | FILLED


def trend(tests: Sequence[Test], start: date, until: date, *, name: str, title: str, sentence: str) -> str:
    """tests: of one unit, as the API answers them, the oldest first. start, until: the days in view. name: of
    the drawing on its page."""
    unit = tests[0]["unit"]
    low, high = scale(unit, [value for one in tests for value in _values(one)], from_0=False)

    def y(value: float) -> float:
        return TOP + PLOT * (1 - (value - low) / (high - low))

    span = max((until - start).days, 1)
    at = [FIRST + (LAST - FIRST) * (date.fromisoformat(one["taken_on"]) - start).days / span for one in tests]
    key = list(_key(tests, name, TOP + PLOT + BELOW))
    return drawing(
        "trend",
        title,
        sentence,
        WIDTH,
        TOP + PLOT + BELOW + _KEY * len(key) + 4,
        hatch(name),
        *value_axis(unit, low, high, y, LEFT, RIGHT),
        *_expected(tests, at, y, name),
        *_errors(tests, at, y),
        *(_dot(x, y(one["value"]), one["verdict"]) for one, x in zip(tests, at, strict=True)),
        *day_axis(start, until, FIRST, LAST, TOP + PLOT, begin=LEFT, end=RIGHT),
        *(part for line in key for part in line),
    )


def _values(one: Test) -> Iterator[float]:
    """All that is drawn of a test."""
    error = one["error"] or 0.0
    yield from (one["value"] - error, one["value"] + error)
    yield from (one["expected"] or {}).values()


def _expected(tests: Sequence[Test], at: Sequence[float], y: Any, name: str) -> Iterator[SafeString]:
    """One path for all bands and one for all likely values: a page holds many of them."""
    bands, likely = [], []
    for one, x in zip(tests, at, strict=True):
        if (of := one["expected"]) is None:
            continue
        left, top, width = number(x - BAND / 2), y(of["high"]), number(BAND)
        bands.append(f"M{left} {number(top)}h{width}v{number(y(of['low']) - top)}h-{width}z")
        likely.append(f"M{left} {number(y(of['likely']))}h{width}")
    if bands:
        yield element("path", class_="ink band", d="".join(bands), fill=f"url(#{name})", stroke=INK)
        yield element("path", class_="ink likely", d="".join(likely), stroke=INK, stroke_width=2.5)


def _errors(tests: Sequence[Test], at: Sequence[float], y: Any) -> Iterator[SafeString]:
    path = [
        f"M{number(x)} {number(y(one['value'] + one['error']))}V{number(y(one['value'] - one['error']))}"
        for one, x in zip(tests, at, strict=True)
        if one["error"]
    ]
    if path:
        yield element("path", class_="ink error", d="".join(path), stroke=INK, stroke_width=1.5)


def _dot(x: float, y: float, verdict: str | None) -> SafeString:
    filled = verdict in FILLED
    return element(
        "circle",
        class_="ink read ink-fill" if filled else "ink read paper-fill",
        cx=float(x),
        cy=float(y),
        r=4.5,
        fill=INK if filled else PAPER,
        stroke=INK,
        stroke_width=2,
        stroke_dasharray=None if verdict in _JUDGED else "2 2",
    )


def _key(tests: Sequence[Test], name: str, top: float) -> Iterator[Sequence[SafeString]]:
    """The lines of the key: only what is drawn."""
    verdicts = {one["verdict"] if one["verdict"] in _JUDGED else None for one in tests}
    dots = [
        (verdict, said)
        for verdict, said in (
            ("as_expected", "read"),
            ("passed", "passed"),
            ("outside", "outside"),
            ("failed", "failed"),
            (None, "not judged"),
        )
        if verdict in verdicts
    ]
    middle, x = top + _KEY / 2, 9.0
    line = []
    for verdict, said in dots:
        line += [_dot(x, middle, verdict), text(x + 12, middle + 4.5, said)]
        x += 34 + 7.0 * len(said)
    if any(one["error"] for one in tests):
        stroke = f"M{number(x)} {number(middle - 7)}v14"
        line += [element("path", class_="ink", d=stroke, stroke=INK, stroke_width=1.5)]
        line += [text(x + 8, middle + 4.5, "error of the instrument")]
    yield line
    if any(one["expected"] for one in tests):
        middle += _KEY
        box = f"M1 {number(middle - 7)}h16v14h-16z"
        yield [
            element("path", class_="ink", d=box, fill=f"url(#{name})", stroke=INK),
            element("path", class_="ink", d=f"M1 {number(middle)}h16", stroke=INK, stroke_width=2.5),
            text(24, middle + 4.5, "expected that day: low, likely, high"),
        ]
