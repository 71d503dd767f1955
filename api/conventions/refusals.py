"""What a refused change is to the one who asked: what was sent is not right (400), contradicts what is
recorded (409), or cannot stand in the record (422)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from django.db import IntegrityError

from sites.changes.errors import ChangeRefused

from . import database_errors
from .problems import CONFLICT, INVALID, UNPROCESSABLE, Kind, Place, Problem

# Codes of what is wrong with the values by themselves, whatever the record holds
_OF_THE_VALUES: Final = frozenset({"required", "invalid", "unknown", "not_found"})
# Codes of what stands in the way in the record, and could be seen to first
_IN_THE_WAY: Final = frozenset(
    {"contradicts_later", "ended", "not_yet_there", "in_use", "conflict", "accepted", "not_a_draft"}
)


def refusal(refused: ChangeRefused, outer_pointer: Callable[[str], str] = str) -> Problem:
    """The problem that `refused` is. Where the thing itself was changed meanwhile, the caller answers 412
    instead."""
    return Problem(
        _kind_of(refused),
        "; ".join(problem.detail for problem in refused.problems),
        errors=[
            Place(
                problem.detail,
                code=problem.code,
                pointer=outer_pointer(problem.path) if problem.operation is None else problem.pointer,
            )
            for problem in refused.problems
        ],
    )


def _kind_of(refused: ChangeRefused) -> Kind:
    if isinstance(refused.__cause__, IntegrityError):
        return database_errors.kind_of(refused.__cause__)
    codes = {problem.code for problem in refused.problems}
    if codes <= _OF_THE_VALUES:
        return INVALID
    return CONFLICT if codes & _IN_THE_WAY else UNPROCESSABLE
