"""The operations of a change set in words: what each means, and its values."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from api.pages.addresses import page_of
from sites.wording import capital

from .plain_values import plain

ENVELOPE: Final = frozenset({"op", "label"})


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
    if isinstance(value, str) and value.startswith("@"):
        return f"the new one, {value[1:]}"
    return plain(value)
