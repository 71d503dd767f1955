"""Strict JSON (RFC 8259): repeated keys are kept to be reported, and errors have a position."""

from __future__ import annotations

import json
from collections import Counter

from zones.electrical.bad_input import only_problem

LARGEST_TEXT_BYTES = 64 * 1024 * 1024
"""About three times the largest run."""


class ObjectWithRepeatedKeys(dict[str, object]):
    """A JSON object with a repeated key."""

    repeated: tuple[str, ...] = ()


def read(text: bytes) -> object:
    """The value of a JSON ``text``.

    Objects with a repeated key come as `ObjectWithRepeatedKeys`. NaN, Infinity and numbers beyond double
    precision come as non-finite floats, so that the reader can refuse them with their location. Raises
    BadInputError where the text is too long, not UTF-8, not JSON or nested too deeply.

    >>> read(b'{"length_m": 1e1}')
    {'length_m': 10.0}
    >>> read(b'{"length_m": }')
    Traceback (most recent call last):
    zones.electrical.bad_input.BadInputError: document: not JSON: line 1, column 14: expecting value
    """
    if len(text) > LARGEST_TEXT_BYTES:
        raise only_problem("too_long", f"expected at most {LARGEST_TEXT_BYTES // 1024**2} MiB")
    try:
        decoded = text.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = text.count(b"\n", 0, error.start) + 1
        raise only_problem(
            "not_utf8", f"not UTF-8: byte {error.start + 1}, in line {line}, is 0x{text[error.start]:02x}"
        ) from error
    if not decoded.strip():
        raise only_problem("not_json", "nothing in it: expected a JSON object")
    try:
        return json.loads(decoded, object_pairs_hook=_object, parse_int=_integer)
    except json.JSONDecodeError as error:
        reason = error.msg[0].lower() + error.msg[1:]
        raise only_problem(
            "not_json", f"not JSON: line {error.lineno}, column {error.colno}: {reason}"
        ) from error
    except RecursionError as error:
        raise only_problem("too_deep", "nested too deeply: a run takes four levels") from error


def _object(pairs: list[tuple[str, object]]) -> dict[str, object]:
    plain = dict(pairs)
    if len(plain) == len(pairs):
        return plain
    times = Counter(key for key, _ in pairs)
    marked = ObjectWithRepeatedKeys(plain)
    marked.repeated = tuple(key for key in plain if times[key] > 1)
    return marked


def _integer(digits: str) -> int | float:
    # Python reads no integer of thousands of digits; as a float it is infinite, like 1e999
    return int(digits) if len(digits) < 300 else float(digits)
