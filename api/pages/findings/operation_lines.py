"""The operations of a change set in words: what each means, and its values."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from api.pages.addresses import page_of
from api.pages.parts.facts import exactly, words_of
from api.pages.templatetags.marks import NOT_RECORDED
from sites.changes.operations import operations
from sites.fields import Fact as RecordedFact
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
            tuple(
                _fact(name, value, _recorded(one["op"]).get(name))
                for name, value in one.items()
                if name not in ENVELOPE
            ),
        )
        for one in operations
    ]


@cache
def _recorded(operation: str) -> Mapping[str, RecordedFact]:
    """The fields that parameters of an operation are, by name."""
    found = next((one for one in operations() if one.name == operation), None)
    parameters = found.parameters if found else {}
    return {name: one.fact for name, one in parameters.items() if one.fact is not None}


def _fact(name: str, value: Any, field: RecordedFact | None) -> Fact:
    kind = name.removesuffix("_id")
    if kind != name and isinstance(value, int):
        noun = kind.replace("_", " ")
        return Fact(capital(noun), f"{noun} {value}", page_of(kind, value))
    label = field.verbose_name if field is not None and field.verbose_name else kind.replace("_", " ")
    return Fact(capital(str(label)), _text(value, field), "")


def _text(value: Any, field: RecordedFact | None) -> str:
    if isinstance(value, str) and value.startswith("@"):
        return f"the new one, {value[1:]}"
    if field is None or isinstance(value, dict | list):
        return plain(value)
    if isinstance(value, int | float) and not isinstance(value, bool) and not hasattr(field, "words"):
        return exactly(field, value)
    return words_of(field, value) or NOT_RECORDED
