"""Applies the operations of an accepted change set, one after the other, in the caller's transaction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django.db import IntegrityError, connection

from . import selectors
from .constraints import problem_of
from .context import change_context
from .errors import ChangeConflict, ChangeRefused, Problem
from .models import ChangeSet
from .operations import Operation, Use
from .work import Work

Kind = ChangeSet.Kind
Read = Sequence[tuple[Operation[Any, Any], dict[str, Any]]]
"""Operations with their values, as ``read_operations`` gives them."""


def apply_operations(change_set: ChangeSet, operations: Read) -> Work:
    """Write the rows of ``change_set``. ChangeRefused says which operation was refused, and why; then the
    caller's transaction must be rolled back."""
    work = Work(change_set)
    with change_context(change_set):
        for index, (operation, values) in enumerate(operations):
            body = change_set.operations[index]
            work.expects = {}
            try:
                _require_fitting(operation, change_set)
                _require_expected(work, operation, body.get("expects") or {})
                result = operation.apply(work, **work.resolve(values))
            except ChangeRefused as refused:
                raise refused.at(index) from refused.__cause__
            except IntegrityError as error:
                raise ChangeRefused([problem_of(error).at(index)]) from error
            work.results.append(result)
            work.found_expectations.append(work.expects)
            if body.get("label"):
                work.labels[body["label"]] = result
        try:
            check_deferred_keys()
        except IntegrityError as error:
            raise ChangeRefused([problem_of(error)]) from error
    return work


def _require_fitting(operation: Operation[Any, Any], change_set: ChangeSet) -> None:
    if operation.shared and change_set.site_id is not None:
        detail = f"{operation.name} is of what all sites share, and this change set of one site: make two."
        raise ChangeRefused([Problem(detail, "of_no_site", "/op")])
    if not operation.shared and change_set.site_id is None:
        detail = f"{operation.name} is of one site, and this change set of none: name its site."
        raise ChangeRefused([Problem(detail, "of_a_site", "/op")])


def _require_expected(work: Work, operation: Operation[Any, Any], expected: Mapping[str, Any]) -> None:
    own = work.change_set.pk
    for key, now in selectors.versions_now(expected, site_id=work.change_set.site_id).items():
        if now in (expected[key], own):
            continue
        between = sorted(set(now) - set(expected[key])) if isinstance(now, list) else [now] if now else []
        rows = ChangeSet.objects.filter(pk__in=between, site=work.change_set.site_id)
        names = [selectors.describe_change_set(row) for row in rows]
        came = " and ".join(names) or "another change"
        detail = f"{operation.name} was made for {key} as it was before {came}."
        raise ChangeConflict([Problem(detail, "conflict")], tuple(between))


_WHAT = {Use.WORK: "work on site", Use.CORRECTION: "a correction of the record"}


def kind_for(asked: ChangeSet.Kind | None, operations: Read) -> ChangeSet.Kind:
    """The kind of a change set of these operations; a correction and work on site are two change sets."""
    uses = {operation.use for operation, _ in operations}
    kind = asked or (Kind.CORRECTION if Use.CORRECTION in uses else Kind.WORK)
    amiss = Use.WORK if kind == Kind.CORRECTION else Use.CORRECTION
    problems = [
        Problem(
            f"{operation.name} is {_WHAT[amiss]}, and this change set is not: make two.",
            "kind_of_change",
            "/op",
        ).at(index)
        for index, (operation, _) in enumerate(operations)
        if operation.use is amiss
    ]
    if problems:
        raise ChangeRefused(problems)
    return kind


def check_deferred_keys() -> None:
    """Raise now, where the operation is at hand, what would else be raised at commit."""
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")
