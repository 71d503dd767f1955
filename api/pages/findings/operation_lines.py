"""The operations of a change set in words: what each means, and its values."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from django.db.models import Model

from api.pages.addresses import page_of
from api.pages.parts.facts import exactly, words_of
from api.pages.templatetags.marks import NOT_RECORDED
from sites.changes.operations import operations
from sites.changes.parameters import Parameter
from sites.fields import Fact as RecordedFact
from sites.wording import capital, listed

from .plain_values import plain
from .row_names import Key, Names, beside_label

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


def referred_to(operations: Iterable[Mapping[str, Any]]) -> Iterator[Key]:
    """The rows that operations name by their ids: their names are what `lines` takes."""
    for one in operations:
        for name, value in one.items():
            parameter = _parameters(one["op"]).get(name)
            if parameter is not None and parameter.model is not None:
                for id_ in value if isinstance(value, list) else [value]:
                    if isinstance(id_, int):
                        yield parameter.model, id_


def lines(operations: Iterable[Mapping[str, Any]], sentences: Mapping[str, str], names: Names) -> list[Line]:
    """sentences: by the name of an operation, what it means. names: of the rows that they name."""
    return [
        Line(
            sentences.get(one["op"], one["op"]),
            tuple(
                _fact(name, value, _parameters(one["op"]).get(name), names)
                for name, value in one.items()
                if name not in ENVELOPE
            ),
        )
        for one in operations
    ]


@cache
def _parameters(operation: str) -> Mapping[str, Parameter]:
    """The parameters of an operation, by their names in JSON."""
    found = next((one for one in operations() if one.name == operation), None)
    return {one.key: one for one in found.parameters.values()} if found else {}


def _fact(name: str, value: Any, parameter: Parameter | None, names: Names) -> Fact:
    if parameter is not None and parameter.model is not None:
        return _named(parameter.name.replace("_", " "), parameter.model, value, names)
    field = parameter.fact if parameter else None
    label = str(field.verbose_name) if field is not None and field.verbose_name else ""
    return Fact(capital(label or name.removesuffix("_id").replace("_", " ")), _text(value, field), "")


def _named(label: str, model: type[Model], value: Any, names: Names) -> Fact:
    def text(one: Any) -> str:
        return beside_label(model, names[model, one]) if (model, one) in names else _text(one, None)

    is_one = isinstance(value, int)
    words = listed([text(one) for one in value]) if isinstance(value, list) else text(value)
    return Fact(capital(label), words, page_of(model._meta.model_name or "", value) if is_one else "")


def _text(value: Any, field: RecordedFact | None) -> str:
    if isinstance(value, str) and value.startswith("@"):
        return f"the new one, {value[1:]}"
    if field is None or isinstance(value, dict | list):
        return plain(value)
    if isinstance(value, int | float) and not isinstance(value, bool) and not hasattr(field, "words"):
        return exactly(field, value)
    return words_of(field, value) or NOT_RECORDED
