"""Figures against their limits, as a page lists them: those that call for something, then those within."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import Any

from api.pages.addresses import calculation_of, page_of
from zones.electrical.verdicts import Verdict

Figure = Mapping[str, Any]
"""An answer of the API."""


@dataclass(frozen=True)
class Listed:
    """A figure with where its calculation and its finding are, and which change pushed it past; blank: it
    has none, or none was asked for."""

    figure: Figure
    calculation: str
    finding: str
    change: str = ""


@dataclass(frozen=True)
class Figures:
    shown: tuple[Listed, ...]
    within: tuple[Listed, ...]


def listed(
    items: Sequence[Figure], on: date | None, changes: Mapping[int, str] = MappingProxyType({})
) -> Figures:
    """items: in the order of the answer, the worst first. changes: by the id of a finding the sentence that
    says which change is behind it."""
    every = [
        Listed(
            one,
            calculation_of(one["code"], one["subject"]["kind"], one["subject"]["id"], on),
            page_of("finding", one["finding_id"]) if one["finding_id"] else "",
            changes.get(one["finding_id"], ""),
        )
        for one in items
    ]
    within = Verdict.WITHIN.name.lower()
    return Figures(
        tuple(one for one in every if one.figure["verdict"] != within),
        tuple(one for one in every if one.figure["verdict"] == within),
    )
