"""Values that no one means and someone sends: of every type, at and beyond what can be held."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final

LONG_TEXT: Final = "x" * 100_000
MANY: Final = 20_000

VALUES: Final[list[Any]] = [
    None, True, False, 0, -1, 1.5, -0.0, 5e-324, 1e308, -1e308, 2**31, 2**63, -(2**63) - 1, 2**64, 10**400,
    "", " ", "\t\n", "0", "-1", "1e400", "9" * 400, "NaN", "Infinity", "null", "true",
    "\x00", "a\x00b", "\x1b[2J", "​", "‮", "\ud800", "\U0001f50a", "é" * 300, LONG_TEXT,
    "0001-01-01", "0000-00-00", "9999-12-31", "2026-02-30", "2026-11-28T25:00:00Z", "-2026-11-28",
    "' OR 1=1 --", "%s", "{0}", "../../etc/passwd", "<script>alert(1)</script>", "$(id)",
    [], [[]], [None], {}, {"a": {"a": {}}}, {"": None}, [0] * MANY, list(range(MANY)), ["x"] * MANY,
    [{}] * MANY, {str(number): number for number in range(MANY)},
]  # fmt: skip

TEXTS: Final[list[str]] = [value for value in VALUES if isinstance(value, str) and value != "\ud800"] + [
    "١٢", "1,2,3", ",".join("1" * 5_000), ",", "1" * 5_000, "true,false", "-id", "id,id", "--", "\\", "\"",
    "%00",
]  # fmt: skip
"""What a query or a header can carry."""


def _nested(depth: int) -> bytes:
    return b"[" * depth + b"]" * depth


BODIES: Final[list[bytes]] = [
    b"", b" ", b"null", b"true", b"0", b'""', b"[]", b"{}", b"{", b"}", b'{"a"', b'{"a":}', b"{'a': 1}",
    b"NaN", b'{"change": NaN}', b'{"change": Infinity}', b"1e400", b"9" * 10_000, b"-" * 10_000,
    b'{"change": 1, "change": 2}', b'{"\\ud800": 1}', b'"\\ud800"', b"\xff\xfe{\x00}\x00", b"\xef\xbb\xbf{}",
    b"\x00" * 1_000, b"\xff" * 1_000, _nested(900), _nested(50_000), b'{"a":' * 50_000,
    json.dumps({f"k{number}": number for number in range(MANY)}).encode(),
    b"{" + b",".join(b'"a": 1' for _ in range(MANY)) + b"}",
    b'{"a": "' + b"y" * 3_000_000 + b'"}',
]  # fmt: skip
"""Whole bodies, as bytes."""


def poisoned(body: Any) -> Iterator[Any]:
    """Copies of a right body, each with one value of it replaced, left out, or one added."""
    for path in _paths(body):
        for value in VALUES:
            yield _replaced(body, path, value)
    if isinstance(body, dict):
        for name in body:
            yield {key: value for key, value in body.items() if key != name}
        yield {**body, "nonsense": 1, "__proto__": {}, "id": 1, "version": 1}


def _paths(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    parts: Any = ()
    if isinstance(value, dict):
        parts = value
    elif isinstance(value, list):
        parts = range(min(len(value), 1))  # the first stands for all of them
    for part in parts:
        yield (*path, part)
        yield from _paths(value[part], (*path, part))


def _replaced(value: Any, path: tuple[Any, ...], new: Any) -> Any:
    if not path:
        return new
    copy = dict(value) if isinstance(value, dict) else list(value)
    copy[path[0]] = _replaced(value[path[0]], path[1:], new)
    return copy
