"""Rows of the change record in words: what a statement added, changed or removed, column by column, before
and after."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from django.apps import apps
from django.contrib.postgres.fields import DateRangeField
from django.db import models

from api.pages.parts.facts import exactly
from api.pages.templatetags.marks import day
from sites.wording import capital, counted

from .plain_values import plain
from .row_names import Key, Names, beside_label

Row = Mapping[str, Any]

OF_EVERY_ROW: Final = frozenset({"id", "site_id", "change_set_id", "step"})
"""Columns that say where a row belongs: its title and the page say that."""


@dataclass(frozen=True)
class Value:
    """before: of a column that was changed."""

    label: str
    before: str
    now: str


@dataclass(frozen=True)
class RecordRow:
    title: str
    values: tuple[Value, ...]


def referred_to(statement: Mapping[str, Any]) -> Iterator[Key]:
    """The rows that those of a statement refer to: their names are what `record_rows` takes."""
    columns = _columns(statement["table"])
    for row in [*(statement["old_rows"] or ()), *(statement["new_rows"] or ())]:
        for column, value in row.items():
            field = columns.get(column)
            if isinstance(field, models.ForeignKey) and isinstance(value, int):
                yield field.related_model, value


def record_rows(statement: Mapping[str, Any], names: Names) -> list[RecordRow]:
    """statement: a change as the API answers it, with its rows. names: of what these refer to; of a row that
    has none, the id is shown."""
    table = statement["table"]
    old, new = statement["old_rows"] or [], statement["new_rows"] or []
    if statement["done"] != "changed":
        return [RecordRow(_title(table, row, names), tuple(_all_of(table, row, names))) for row in new or old]
    before = {row.get("id", number): row for number, row in enumerate(old)}
    return [
        RecordRow(
            _title(table, row, names),
            tuple(_changed(table, before.get(row.get("id", number), {}), row, names)),
        )
        for number, row in enumerate(new)
    ]


def table_in_words(table: str) -> str:
    """What kind of rows a table holds, as in ``point facts``."""
    model = _models().get(table)
    return table.replace("_", " ") if model is None else str(model._meta.verbose_name)


def rows_in_words(count: int, table: str) -> str:
    """``25 device models``, ``facts of 12 points``."""
    one = table_in_words(table)
    if one.endswith(" facts"):
        return f"facts of {rows_in_words(count, table.removesuffix('_facts'))}"
    if one.endswith("ch"):
        return counted(count, one, f"{one}es")
    return counted(count, one, f"{one[:-1]}ies" if re.search("[^aeiou]y$", one) else "")


def _title(table: str, row: Row, names: Names) -> str:
    """``Point P10``, ``Test 1587``, which has no name, ``Point facts of P10``."""
    words, of = capital(table_in_words(table)), _column_of_thing(table)
    if of in row:
        return f"{words} of {_text(table, of, row[of], names)}"
    return f"{words} {row.get('name') or row.get('id') or ''}".rstrip()


def _all_of(table: str, row: Row, names: Names) -> Iterator[Value]:
    said = {*OF_EVERY_ROW, _column_of_thing(table), "name" if row.get("name") else ""}
    for column, value in row.items():
        if column not in said and value not in (None, "", []):
            yield Value(_label(table, column), "", _text(table, column, value, names))


def _changed(table: str, before: Row, now: Row, names: Names) -> Iterator[Value]:
    for column, value in now.items():
        if column not in OF_EVERY_ROW and before.get(column) != value:
            was = _text(table, column, before.get(column), names)
            yield Value(_label(table, column), was, _text(table, column, value, names))


@cache
def _models() -> Mapping[str, type[models.Model]]:
    return {model._meta.db_table: model for model in apps.get_models()}


@cache
def _columns(table: str) -> Mapping[str, models.Field[Any, Any]]:
    model = _models().get(table)
    return (
        {}
        if model is None
        else {field.column: field for field in model._meta.concrete_fields if field.column}
    )


@cache
def _column_of_thing(table: str) -> str:
    """Of a table of facts: the column that says of which thing they are; else blank."""
    model = _models().get(table)
    key = None if model is None else model._meta.pk
    return str(key.columns[0]) if isinstance(key, models.CompositePrimaryKey) else ""


def _label(table: str, column: str) -> str:
    field = _columns(table).get(column)
    return column.replace("_", " ") if field is None else str(field.verbose_name)


def _text(table: str, column: str, value: Any, names: Names) -> str:
    field = _columns(table).get(column)
    if value in (None, "") or isinstance(value, bool | dict | list):
        return plain(value)
    choices = dict(_flat(field))
    if value in choices:
        return str(choices[value])
    if isinstance(field, models.ForeignKey):
        model = field.related_model
        return beside_label(model, names.get((model, value)) or f"{model._meta.verbose_name} {value}")
    if isinstance(field, DateRangeField):
        return _days(value)
    if isinstance(field, models.DateField) and not isinstance(field, models.DateTimeField):
        return day(value)
    if isinstance(value, int | float):
        return exactly(field, value)
    return plain(value)


def _days(value: str) -> str:
    """``from 1 Jan 2019``, ``1 Apr 2019 to 31 Mar 2024``. value: as PostgreSQL writes a range of days."""
    first, end = value.strip("[)").split(",")
    if not end:
        return f"from {day(first)}"
    return f"{day(first)} to {day(dt.date.fromisoformat(end) - dt.timedelta(days=1))}"


def _flat(field: models.Field[Any, Any] | None) -> Sequence[tuple[Any, Any]]:
    return [] if field is None else list(field.flatchoices)
