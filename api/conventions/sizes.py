"""How large an answer may be. A page ends before the item with which it would be larger; an answer that is on
one page leaves out the ends of its longest lists, and says so."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
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

    pointer = fields.Text(help_text="Where it is: a JSON pointer from the object that says it.")
    count = fields.Whole(help_text="How many more items it has: ask for them by their own list.")


ENDS_EARLY_HELP: Final = (
    f"Lists that end early: those of more than {MOST_LISTED} items, or of fewer where the answer would be "
    "too large. Empty: this is all."
)
LEFT_OUT_HELP: Final = f"Lists that end after {MOST_LISTED} items. Empty: this is all."


def left_out_field() -> Any:
    """The field of a resource whose lists `cut` ends, or its expansions."""
    return LeftOutSerializer(many=True, read_only=True, default=list, help_text=LEFT_OUT_HELP)


class WithLimitSerializer(serializers.Serializer):
    """Base for answers of one page whose lists grow with the site."""

    left_out = LeftOutSerializer(many=True, help_text=ENDS_EARLY_HELP)


def within_limit(answer: Mapping[str, Any], *, latest: Collection[str] = ()) -> Rendered:
    """The answer with what ``WithLimitSerializer`` describes. ``latest``: names of lists that are in the
    order of time, of which the latest items stay."""
    most = MOST_LISTED
    while True:
        ended: list[dict[str, Any]] = []
        shortened = _cut(answer, most, latest, ended, ())
        shortened.pop("left_out", None)
        shown = Rendered({**shortened, "left_out": ended})
        if most == 1 or len(shown.json) <= LARGEST_ANSWER_BYTES:
            return shown
        most //= 2


def _cut(value: Any, most: int, latest: Collection[str], ended: list[dict[str, Any]], steps: Steps) -> Any:
    if isinstance(value, Mapping):
        return {name: _cut(inner, most, latest, ended, (*steps, name)) for name, inner in value.items()}
    if isinstance(value, list | tuple):
        kept = value
        if len(value) > most:
            ended.append({"pointer": pointer(*steps), "count": len(value) - most})
            kept = value[-most:] if steps[-1] in latest else value[:most]
        return [_cut(inner, most, latest, ended, (*steps, place)) for place, inner in enumerate(kept)]
    return value


def cut(row: Any, lists: Mapping[str, Sequence[Any]], *, prefix: str = "") -> None:
    """Set these lists on a row, each ended after ``MOST_LISTED`` items, and as its `left_out` what
    ``LeftOutSerializer`` describes. lists: by the names that the answer has; `prefix` goes before these
    on the row."""
    for name, items in lists.items():
        setattr(row, prefix + name, items[:MOST_LISTED])
    row.left_out = [left_out(name, len(items)) for name, items in lists.items() if len(items) > MOST_LISTED]


def left_out(name: str, count: int) -> dict[str, Any]:
    """What is left out of a list of so many items, of which the first ``MOST_LISTED`` are shown."""
    return {"pointer": pointer(name), "count": count - MOST_LISTED}


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
