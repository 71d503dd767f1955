"""The operations of a change set in words: what each means, and its values."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from api.pages.addresses import page_of
from api.pages.templatetags.marks import NOT_RECORDED
from sites.wording import capital, shortened

ENVELOPE: Final = frozenset({"op", "label"})
LONGEST: Final = 200


@dataclass(frozen=True)
class Fact:
    """href: of the page of the thing that is named; blank: it has none."""

    label: str
    value: str
    href: str


@dataclass(frozen=True)
class Line:
    sentence: str
    facts: tuple[Fact, ...]


def lines(operations: Iterable[Mapping[str, Any]], sentences: Mapping[str, str]) -> list[Line]:
    """sentences: by the name of an operation, what it means."""
    return [
        Line(
            sentences.get(one["op"], one["op"]),
            tuple(_fact(name, value) for name, value in one.items() if name not in ENVELOPE),
        )
        for one in operations
    ]


def _fact(name: str, value: Any) -> Fact:
    kind = name.removesuffix("_id")
    href = page_of(kind, value) if kind != name and isinstance(value, int) else ""
    text = f"{kind.replace('_', ' ')} {value}" if kind != name and isinstance(value, int) else _text(value)
    return Fact(capital(kind.replace("_", " ")), text, href)


def _text(value: Any) -> str:
    if value is None or value == "":
        return NOT_RECORDED
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, dict | list):
        return shortened(json.dumps(value, ensure_ascii=False), LONGEST)
    if isinstance(value, str) and value.startswith("@"):
        return f"the new one, {value[1:]}"
    return shortened(str(value), LONGEST)
