"""What a change would do, in the order in which one decides: what it crosses, what it makes worse, what it
puts in order, the rest."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from zones.electrical.verdicts import Verdict


def effect_parts(effect: Mapping[str, Any]) -> dict[str, Any]:
    """effect: as the API answers it."""
    parts: dict[str, list[Any]] = {"crosses": [], "worse": [], "clears": [], "others": []}
    for one in effect["items"]:
        parts[_part(one)].append(one)
    return {**effect, **parts}


def _part(one: Mapping[str, Any]) -> str:
    if one["crosses"]:
        return "crosses"
    if one["clears"]:
        return "clears"
    after = one["after"] and Verdict[one["after"]["verdict"].upper()]
    return "worse" if one["worsens"] and after and after >= Verdict.CANNOT_TELL else "others"
