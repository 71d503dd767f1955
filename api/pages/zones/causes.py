"""Findings in the order in which one decides about them: by what follows, and one cause in one place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

Finding = Mapping[str, Any]


@dataclass
class Cause:
    """The findings of one case that have one consequence. `words`: what happened; `change_set_ids`: the
    change sets that are named, the causing one first; `zones`: all on which they bear, each once."""

    words: str
    change_set_ids: Sequence[int]
    case_id: int
    site_id: int
    site_name: str
    findings: list[Finding] = field(default_factory=list)
    zones: dict[int, str] = field(default_factory=dict)


@dataclass
class Group:
    """All that has one consequence. `words`: which."""

    words: str
    causes: dict[int, Cause] = field(default_factory=dict)


def causes(findings: Iterable[Finding]) -> list[Group]:
    """findings: as the API answers them, in the order in which they are to stand."""
    groups: dict[str, Group] = {}
    for one in findings:
        group = groups.setdefault(one["severity"], Group(one["severity_words"]))
        cause = group.causes.setdefault(
            one["case_id"],
            Cause(
                one["attribution"]["sentence"],
                one["attribution"]["change_set_ids"],
                one["case_id"],
                one["site_id"],
                one["site_name"],
            ),
        )
        cause.findings.append(one)
        cause.zones.update({zone["id"]: zone["name"] for zone in one["zones"]})
    return list(groups.values())
