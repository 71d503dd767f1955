"""Why a change was refused: what is wrong, where, and what would be right."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from django.core.exceptions import PermissionDenied

MOST_NAMED: Final = 20
"""How many places an error names; it counts the others, so that its size has a limit."""


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with a change.

    ``path`` is a JSON pointer into the operation's own body (``/model``; empty: the operation as a whole),
    and ``operation`` its place in the list; None where the change is one operation, or the change set's own
    fields. ``count``: how many alike this one stands for, where there are too many to name.
    """

    detail: str
    code: str
    path: str = ""
    operation: int | None = None
    count: int = 1

    @property
    def pointer(self) -> str:
        """JSON pointer into the body that was sent."""
        return self.path if self.operation is None else f"/operations/{self.operation}{self.path}"

    def at(self, operation: int | None) -> Problem:
        return replace(self, operation=operation)


def counted_problems(problems: Iterable[Problem]) -> int:
    """How many there are, those counted in that are not named one by one."""
    return sum(problem.count for problem in problems)


def named_problems(problems: Sequence[Problem]) -> str:
    """The first problems in words, and how many more there are."""
    named = problems[:MOST_NAMED]
    more = counted_problems(problems[MOST_NAMED:])
    return "; ".join([*(problem.detail for problem in named), *([f"and {more:,} more"] if more else [])])


class ChangeRefused(Exception):  # noqa: N818 - it says what happened, and is not a fault
    """Nothing was written. ``problems`` lists everything found wrong at once."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__(named_problems(self.problems))

    def at(self, operation: int | None) -> ChangeRefused:
        return type(self)(problem.at(operation) for problem in self.problems)


class ChangeConflict(ChangeRefused):
    """A row is not as the change expects it: someone else's change set came in between."""

    def __init__(self, problems: Iterable[Problem], between: tuple[int, ...] = ()) -> None:
        super().__init__(problems)
        self.between = between
        """Ids of the change sets in between."""

    def at(self, operation: int | None) -> ChangeConflict:
        return ChangeConflict((problem.at(operation) for problem in self.problems), self.between)


class DraftsOnly(PermissionDenied):
    """A technician's change of a site whose customer has these looked at first: a manager accepts it."""

    def __init__(self, customer: str, advice: str) -> None:
        super().__init__(f"At sites of {customer} a manager accepts what technicians change: {advice}.")


def require(*checked: Iterable[Problem]) -> None:
    """Refuse what the rules found; nothing where they found nothing."""
    problems = [*itertools.chain(*checked)]
    if problems:
        raise ChangeRefused(problems)


def refuse(detail: str, *, code: str = "refused", path: str = "") -> ChangeRefused:
    """The exception for one problem of the operation at hand: ``raise refuse(…)``."""
    return ChangeRefused([Problem(detail, code, path)])
