"""Zones that serve life safety, and zones of which that is not recorded, for `_life_safety.html`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from zones.models import Zone


def life_safety(zones: Iterable[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    """zones: as the API answers them, in the order in which they are to stand."""
    every = list(zones)
    return {
        "life_safety": [one for one in every if one["life_safety"] == Zone.LifeSafety.YES],
        "unsettled": [one for one in every if one["life_safety"] == Zone.LifeSafety.UNKNOWN],
    }
