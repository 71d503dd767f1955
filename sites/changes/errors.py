"""Why a change was refused: what is wrong, where, and what would be right."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with a change.

    ``path`` is a JSON pointer into the operation's own body (``/model``; empty: the operation as a whole),
    and ``operation`` its place in the list; None where the change is one operation, or the change set's own
    fields.
    """

    detail: str
    code: str
    path: str = ""
    operation: int | None = None

    @property
    def pointer(self) -> str:
        """JSON pointer into the body that was sent."""
        return self.path if self.operation is None else f"/operations/{self.operation}{self.path}"

    def at(self, operation: int | None) -> Problem:
        return replace(self, operation=operation)


class ChangeRefused(Exception):  # noqa: N818 - it says what happened, and is no fault
    """Nothing was written. ``problems`` lists everything found wrong at once."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(problem.detail for problem in self.problems))

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


def require(*checked: Iterable[Problem]) -> None:
    """Refuse what the rules found; nothing where they found nothing."""
    problems = [*itertools.chain(*checked)]
    if problems:
        raise ChangeRefused(problems)


def refuse(detail: str, *, code: str = "refused", path: str = "") -> ChangeRefused:
    """The exception for one problem of the operation at hand: ``raise refuse(…)``."""
    return ChangeRefused([Problem(detail, code, path)])
