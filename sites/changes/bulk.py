"""Many operations in one change set: all are written or none, and all that is wrong is said at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from django.db import IntegrityError, transaction

from .constraints import problem_of
from .errors import ChangeRefused, Problem
from .making import Change, change_context, change_set_row, saved
from .operations import Accepted, Call, accept, apply_call, kind_for
from .parameters import Reference
from .work import Work


def accept_many(change: Change, calls: Sequence[Call]) -> Accepted[Any]:
    """Make a change set of ``calls`` and accept it; ChangeRefused names what is wrong with each of them.

    1. Write all of them, as any change set is written. The first that is refused rolls all of it back.
    2. Only then write those before it once more, try each of the others by itself, and roll back again: that
       takes a savepoint a call, which nobody has to wait for where nothing is wrong.
    """
    try:
        with transaction.atomic():
            return accept(change, calls)
    except ChangeRefused as refused:
        first = refused.problems[0].operation
        if first is None:
            raise
        # Somebody else's change may have come in between, and with it what was in the way gone
        problems = _problems_from(first, change, calls) or refused.problems
        raise ChangeRefused(problems) from refused.__cause__


def _problems_from(first: int, change: Change, calls: Sequence[Call]) -> list[Problem]:
    problems: list[Problem] = []
    refused_labels: set[str] = set()
    try:
        with transaction.atomic():
            work = Work(saved(change_set_row(replace(change, kind=kind_for(change.kind, calls)))))
            with change_context(work.change_set):
                for call in calls[:first]:
                    apply_call(work, call)
                for index, call in enumerate(calls[first:], first):
                    if not refused_labels.isdisjoint(_labels_in(call)):
                        refused_labels.add(call.label)  # it may be right once the other is
                        continue
                    found = _problems_of(work, call)
                    if found:
                        problems += [problem.at(index) for problem in found]
                        refused_labels |= {call.label} - {""}
                        work.read_again()
            transaction.set_rollback(True)
    except (ChangeRefused, IntegrityError):  # of rows that are only judged together, or of others meanwhile
        return []
    return problems


def _problems_of(work: Work, call: Call) -> Sequence[Problem]:
    try:
        with transaction.atomic():
            apply_call(work, call)
    except ChangeRefused as refused:
        return refused.problems
    except IntegrityError as error:
        return [problem_of(error)]
    return []


def _labels_in(call: Call) -> set[str]:
    """The labels of other operations that a call names."""
    references = [
        one for value in call.values.values() for one in (value if isinstance(value, list) else [value])
    ]
    named = [one.pk for one in references if isinstance(one, Reference) and isinstance(one.pk, str)]
    return {name.removeprefix("@").partition("/")[0] for name in named}
