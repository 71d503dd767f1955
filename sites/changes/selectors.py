"""Reading change sets, and the versions of rows."""

from __future__ import annotations

import functools
import re
from collections.abc import Callable, Mapping
from typing import Any, Final

from django.apps import apps
from django.db import models
from django.db.models import F, Func, QuerySet, Value

from sites.models.changes import REWROTE, ChangeSet
from sites.models.dated import DatedFacts, Recorded, thing_fields
from sites.wording import by_whom

from .errors import refuse
from .making import version_of


def change_set_named(*, site_id: int | None, step: int) -> str:
    """The change set of a step of a site, as a person refers to it."""
    return describe_change_set(ChangeSet.objects.filter(site=site_id, step=step).first())


def describe_change_set(change_set: ChangeSet | None) -> str:
    """``change set 41 of 2026-03-01, job J-7: "two horns added" (Hallam Crew, recorded by R. Vale)``."""
    if change_set is None:
        return "an earlier change set"
    job = f", job {change_set.job_reference}" if change_set.job_reference else ""
    named = f"change set {change_set.pk} of {change_set.happened_on}{job}"
    who = by_whom(change_set.done_by, change_set.actor)
    return f"{named}: “{change_set.reason}” ({who})"


SENT_OPERATIONS: Final = "sent_operations"
"""The attribute of change sets that ``to_list`` read: their operations without what imports keep."""


def to_list(rows: QuerySet[ChangeSet]) -> QuerySet[ChangeSet]:
    """Change sets as lists show them, with who accepted and who withdrew each. The rows that an import
    rewrote stay in the database: there may be thousands of one change set, and no list shows them."""
    sent = Func(
        F("operations"),
        Value(f'$[*] ? (@.op != "{REWROTE}")'),
        function="jsonb_path_query_array",
        template="%(function)s(%(expressions)s::jsonpath)",
        output_field=models.JSONField(),
    )
    related = rows.select_related("accepted_by", "withdrawal")
    return related.defer("operations").annotate(**{SENT_OPERATIONS: sent})


def change_sets_to_list() -> QuerySet[ChangeSet]:
    """Change sets of rows in scope, in the form of ``to_list``."""
    return to_list(ChangeSet.objects.all())


def versions_now(expected: Mapping[str, Any], *, site_id: int | None) -> dict[str, int | list[int] | None]:
    """The versions, now, of the rows that the keys of ``expected`` name; None for a row that is not there.

    A key is the table and the id of a row (``supply/12``), the table and the thing for its last facts
    (``supply_facts/12``), table, thing and step for one row of facts, or a name of ``version_reader``. Rows
    of another site are not there.
    """
    return {key: _version_now(key, site_id) for key in expected}


VersionReader = Callable[[int | None, int], list[int]]
_readers: dict[str, VersionReader] = {}


def version_reader(name: str, read: VersionReader) -> None:
    """Let keys ``name/id`` be versions that ``read(site_id, id)`` gives."""
    _readers[name] = read


def _version_now(key: str, site_id: int | None) -> int | list[int] | None:
    name, *words = key.split("/")
    model = _models_by_table().get(name)
    if not 1 <= len(words) <= 3 or not all(re.fullmatch("[0-9]{1,18}", word) for word in words):
        model = None
    elif name in _readers:
        return _readers[name](site_id, int(words[0]))
    if model is None:
        detail = f"{key} is not a row that has a version; give a table and an id, such as supply/12."
        raise refuse(detail, code="invalid", path="/expects")
    rows = model._default_manager.all()
    if issubclass(model, Recorded):
        rows = rows.filter(site_id=site_id)
    if issubclass(model, DatedFacts):
        names = [*thing_fields(model), "step"]
        rows = rows.filter(**dict(zip(names, map(int, words), strict=False))).order_by("-step")
    else:
        rows = rows.filter(pk=int(words[0]))
    row = rows.first()
    return None if row is None else version_of(row)


@functools.cache
def _models_by_table() -> dict[str, type[models.Model]]:
    """Tables of the record and of what sites share: rows with a version."""
    return {
        model._meta.db_table: model
        for model in apps.get_models()
        if issubclass(model, Recorded) or model._meta.db_table in _VERSIONED
    }


_VERSIONED = {"site", "customer", "contract", "device_model", "cable_type", "factor"}
