"""Cases as pages list them: by what follows, in the order of the answer, one cause in one place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from api.pages.addresses import page_of

Case = Mapping[str, Any]
"""An answer of the API."""


@dataclass(frozen=True)
class Line:
    """A case, and its page; blank: it has none. finding: the worst that is open, None where the case cleared;
    others: how many more are open."""

    case: Case
    page: str
    finding: Mapping[str, Any] | None
    site: Mapping[str, Any]
    others: int


@dataclass(frozen=True)
class Group:
    """The cases of one consequence. words: which; count: how many there are, of which some may be on other
    pages; None: not counted."""

    words: str
    count: int | None
    lines: list[Line] = field(default_factory=list)


def by_consequence(cases: Iterable[Case], counts: Mapping[str, int] | None = None) -> list[Group]:
    """counts: by severity."""
    groups: dict[str, Group] = {}
    for case in cases:
        word = case["severity"]
        count = None if counts is None else counts[word]
        groups.setdefault(word, Group(case["severity_words"], count)).lines.append(_line(case))
    return list(groups.values())


def _line(case: Case) -> Line:
    found = case["findings"]
    return Line(
        case,
        page_of("case", case["id"]),
        found[0] if found else None,
        {"id": case["site_id"], "name": case["site"]["name"]},
        max(len(found) - 1, 0),
    )
