"""The registry agrees with the schema and with its page: a field added to a model is asked for here."""

from __future__ import annotations

import pickle

import pytest
from django.db import models

from sites.fields import Fact
from zones.asbuilt.cells import Word
from zones.asbuilt.format_page import PAGE, render
from zones.asbuilt.formats import ALL, BY_NAME, FileKind
from zones.asbuilt.formats.landings import PAIRS

# What no column is for: keys, who wrote it when, and what the change that a row names already says
_NOT_IN_FILES = {
    "id",
    "pk",
    "site",
    "change_set",
    "version",
    "begin_step",
    "end_step",
    "step",
    "created_at",
    "recorded_at",
}
# of a kind: fields that its columns hold in another way, or that are not part of the record
_OTHERWISE = {
    "changes": {"state", "purpose", "user", "accepted_by", "quiet", "operations", "transaction_id"},
    "coverages": {"days"},
    "points": {"point", "run", "rank", "parent_rank"},
    "tests": {"supersedes"},
}
KINDS = pytest.mark.parametrize("kind", ALL, ids=lambda kind: kind.name)


def fields_of(kind: FileKind) -> dict[str, models.Field]:
    found: dict[str, models.Field] = {}
    for model in (kind.model, kind.facts):
        if model is not None:
            found |= {field.name: field for field in model._meta.concrete_fields}
    return found


def attributes(kind: FileKind) -> set[str]:
    named = {column.attribute for column in kind.all_columns if column.attribute is not None}
    return named | {reference.name for reference in kind.references} | set(kind.extra)


@KINDS
def test_every_field_of_the_record_has_its_column(kind: FileKind) -> None:
    wanted = set(fields_of(kind)) - _NOT_IN_FILES - _OTHERWISE.get(kind.name, set())
    if kind.facts is not None:
        wanted -= {kind.facts_of}
    assert wanted <= attributes(kind)


@KINDS
def test_every_column_is_of_a_field(kind: FileKind) -> None:
    fields = fields_of(kind)
    for column in kind.all_columns:
        assert column.attribute is None or column.attribute in fields, column.name
    for reference in kind.references:
        assert reference.name in fields or kind.name == "coverages"
        assert reference.to in BY_NAME
        assert all(name in kind.by_name for name in reference.columns)
    assert all(part in kind.by_name or kind.reference(part) for part in kind.key)


@KINDS
def test_a_column_says_its_fact_as_the_field_does(kind: FileKind) -> None:
    """Bounds, length, words and list are the field's own: no column states them again."""
    fields = fields_of(kind)
    for column in kind.all_columns:
        field = fields.get(column.attribute or "")
        if not isinstance(field, Fact):
            assert column.attribute is None, column.name
            continue
        cell = column.cell
        if isinstance(cell, Word):
            words = getattr(field, "words", {"yes": True, "no": False})
            # a pair of conductors can be landed in one row, and a clip is in or out, with words of their own
            own = set(PAIRS) if kind.name == "landings" else set()
            assert set(cell.values.values()) - own == set(words.values()) - own, column.name
        else:
            fact = getattr(cell, "fact", None)
            assert isinstance(fact, Fact), column.name
            # a row is one fact of landings and of clips
            assert fact is field or fact.expected == field.expected, column.name
            assert kind.name in ("changes", "points") or column.required is not (
                field.null or field.blank or field.has_default() or column.name == "conductor"
            )


@KINDS
def test_what_a_column_defaults_to_can_be_written(kind: FileKind) -> None:
    for column in kind.columns:
        if column.default not in (None, "", []):
            assert column.cell.read(column.cell.write(column.default)) == column.default


@KINDS
def test_no_two_columns_have_one_name(kind: FileKind) -> None:
    names = [column.name for column in kind.all_columns]
    assert len(set(names)) == len(names)
    assert "problem" not in names


@KINDS
def test_there_is_one_of_each_kind_in_all_processes(kind: FileKind) -> None:
    assert pickle.loads(pickle.dumps(kind)) is kind


def test_kinds_come_after_what_they_refer_to() -> None:
    order = [kind.name for kind in ALL]
    for kind in ALL:
        for reference in kind.references:
            assert order.index(reference.to) <= order.index(kind.name)


def test_the_page_is_what_the_registry_says() -> None:
    """Where this fails: `manage.py asbuilt format > new.md && mv new.md zones/asbuilt/FORMAT.md`."""
    assert PAGE.read_text(encoding="utf-8") == render()
    for kind in ALL:
        assert f"### {kind.file}\n" in render()
