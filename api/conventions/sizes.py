"""How large an answer may be. A page ends before the item with which it would be larger; an answer that is on
one page leaves out the ends of its longest lists, and says so."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any, Final

from rest_framework import serializers

from . import fields
from .bodies import Rendered, to_json
from .places import Steps, pointer

LARGEST_ANSWER_BYTES: Final = 16 * 1024 * 1024
MOST_LISTED: Final = 500
"""Items of one list in an answer that is on one page; as many as a page has."""


class LeftOutSerializer(serializers.Serializer):
    """A list that is too long for one answer."""

    pointer = fields.Text(
        help_text="Where it is: a JSON pointer into this answer; on a page into the item that says it."
    )
    count = fields.Whole(help_text="How many more items it has: ask for them by their own list.")


LEFT_OUT_HELP: Final = f"Lists that end after {MOST_LISTED} items. Empty: this is all."


class WithLimitSerializer(serializers.Serializer):
    """Of an answer on one page, whose lists are as long as a site has things."""

    left_out = LeftOutSerializer(
        many=True,
        help_text=f"Lists that end early: those of more than {MOST_LISTED} items, or of fewer where the "
        "answer would be too large. Empty: this is all.",
    )


def within_limit(answer: Mapping[str, Any], *, latest: Collection[str] = ()) -> Rendered:
    """The answer with what ``WithLimitSerializer`` describes. ``latest``: names of lists that are in the
    order of time, of which the latest items stay."""
    most = MOST_LISTED
    while True:
        left_out: list[dict[str, Any]] = []
        cut = _cut(answer, most, latest, left_out, ())
        cut.pop("left_out", None)
        shown = Rendered({**cut, "left_out": left_out})
        if most == 1 or len(shown.json) <= LARGEST_ANSWER_BYTES:
            return shown
        most //= 2


def _cut(value: Any, most: int, latest: Collection[str], left_out: list[dict[str, Any]], steps: Steps) -> Any:
    if isinstance(value, Mapping):
        return {name: _cut(inner, most, latest, left_out, (*steps, name)) for name, inner in value.items()}
    if isinstance(value, list | tuple):
        kept = value
        if len(value) > most:
            left_out.append({"pointer": pointer(*steps), "count": len(value) - most})
            kept = value[-most:] if steps[-1] in latest else value[:most]
        return [_cut(inner, most, latest, left_out, (*steps, place)) for place, inner in enumerate(kept)]
    return value


def cut(row: Any, names: Iterable[str]) -> list[dict[str, Any]]:
    """End the lists of these names on a row of a page after ``MOST_LISTED`` items. Returns what
    ``LeftOutSerializer`` describes; the pointers lead from the row."""
    left_out = []
    for name in names:
        items = getattr(row, name)
        if len(items) > MOST_LISTED:
            left_out.append({"pointer": pointer(name), "count": len(items) - MOST_LISTED})
            setattr(row, name, items[:MOST_LISTED])
    return left_out


def fitting(items: Sequence[Any]) -> tuple[int, bytes]:
    """How many of the items fit into one answer, at least one; and these as JSON."""
    rendered = to_json(items)
    if len(rendered) <= LARGEST_ANSWER_BYTES:
        return len(items), rendered
    size = 0
    parts: list[bytes] = []
    for item in items:
        part = to_json(item)
        size += len(part)
        if parts and size > LARGEST_ANSWER_BYTES:
            break
        parts.append(part)
    return len(parts), b"[" + b",".join(parts) + b"]"
