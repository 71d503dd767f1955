"""Problems of a run description: what is wrong, where, and what is expected."""

from __future__ import annotations

import json
from dataclasses import dataclass

SHOWN_AT_MOST = 20
"""Problems reported of one input; the rest are counted."""

Location = tuple[str | int, ...]


@dataclass(frozen=True)
class Problem:
    """One problem. code: for programs; detail: what was found and what is expected."""

    location: Location
    code: str
    detail: str

    @property
    def path(self) -> str:
        """The location for people: ``points[3].length_m``; ``document`` for the whole."""
        steps = (f"[{step}]" if isinstance(step, int) else f".{_harmless(step)}" for step in self.location)
        return "".join(steps).removeprefix(".") or "document"

    @property
    def pointer(self) -> str:
        """The location for programs: a JSON pointer (RFC 6901), ``/points/3/length_m``."""
        steps = (str(step).replace("~", "~0").replace("/", "~1") for step in self.location)
        return "".join(f"/{step}" for step in steps)


class BadInputError(ValueError):
    """Input that cannot be computed, with its first problems, `SHOWN_AT_MOST` of them."""

    def __init__(self, problems: list[Problem], count: int) -> None:
        self.problems = tuple(problems)
        self.not_shown = count - len(problems)
        lines = [f"{problem.path}: {problem.detail}" for problem in problems]
        if self.not_shown:
            lines.append(f"and {self.not_shown} more")
        super().__init__("\n".join(lines))


class Problems:
    """The problems found so far."""

    def __init__(self) -> None:
        self._kept: list[Problem] = []
        self._count = 0

    def add(self, location: Location, code: str, detail: str) -> None:
        self._count += 1
        if len(self._kept) < SHOWN_AT_MOST:
            self._kept.append(Problem(location, code, detail))

    def raise_if_any(self) -> None:
        if self._count:
            raise BadInputError(sorted(self._kept, key=_place), self._count)


def _place(problem: Problem) -> list[tuple[int, str]]:
    return [(step, "") if isinstance(step, int) else (-1, step) for step in problem.location]


def only_problem(code: str, detail: str) -> BadInputError:
    """The error of an input that cannot be read at all, by ``code`` and ``detail``."""
    return BadInputError([Problem((), code, detail)], 1)


def shown(value: object) -> str:
    """A value as JSON, shortened and safe for a terminal or a log."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    return _harmless(json.dumps(value, ensure_ascii=False))


def _harmless(text: str) -> str:
    if not text.isprintable():
        text = text.encode("unicode_escape").decode("ascii")
    return text if len(text) <= 60 else f"{text[:56]} ..."
