"""What is recorded of a thing, value by value. Labels, units and words are those of the model's fields, so a
page calls a value as every other channel does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.db.models import Field, Model

from api.pages.templatetags.marks import day
from sites.fields import DayField, QuantityField
from sites.wording import capital, numbers, plural
from zones.limits.amounts import amount

_UNKNOWN: Final = "unknown"


@dataclass(frozen=True)
class Fact:
    """value: blank where it is not recorded; href: the page of what it names, blank where there is none."""

    label: str
    value: str
    href: str = ""


def facts_of(models: Sequence[type[Model]], names: Sequence[str], shown: Mapping[str, Any]) -> list[Fact]:
    """models: those whose fields have the names, a thing and its dated facts; shown: as the API answers
    it."""
    fields = {field.name: field for model in models for field in model._meta.concrete_fields}
    return [
        Fact(capital(str(fields[name].verbose_name)), words_of(fields[name], shown[name])) for name in names
    ]


def nothing_recorded(noun: str, found: Sequence[int]) -> str:
    """``Rows 7 to 50: nothing recorded.``; blank where there is none."""
    return f"{plural(len(found), noun)} {numbers(found)}: nothing recorded." if found else ""


def field_of(model: type[Model], name: str) -> Field[Any, Any]:
    field = model._meta.get_field(name)
    assert isinstance(field, Field)
    return field


def words_of(field: Field[Any, Any], value: Any, length_unit: str = "m") -> str:
    """The value as people read it; blank where it is not recorded. length_unit: in which the site counts."""
    if value is None or value == _UNKNOWN:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(words_of(field.base_field, one) for one in value)  # type: ignore[attr-defined]
    if isinstance(field, DayField):
        return day(value)
    labels = {name: member.label for name, member in getattr(field, "words", {}).items()}
    if value in labels:
        return str(labels[value])
    if isinstance(field, QuantityField) and field.is_share:
        return exactly(field, value)
    if isinstance(value, float):
        return amount(value, getattr(field, "unit", ""), length_unit=length_unit)
    return str(value)


def exactly(field: Field[Any, Any] | None, value: float) -> str:
    """``1.602 A``, ``80 %``: a number as it is recorded, with the unit of its field."""
    if isinstance(field, QuantityField) and field.is_share:
        return f"{100 * value:.10g} %"
    return f"{value:.10g} {getattr(field, 'unit', '')}".rstrip()
