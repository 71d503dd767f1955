"""A finding in words: what `annotate` makes, and sentences are made from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from zones.limits.limit import Limit
from zones.subjects import Places


@dataclass(frozen=True)
class FindingInWords:
    """title: site, subject, figure and limit, in at most 80 characters. subject, place, places: as people
    call them; place: where to look, blank where nowhere in particular; places: where each estimate is
    decided. closet_id: where to go; None: in no closet.
    reason: why it cannot be computed, where so. attribution: as the API shows it."""

    limit: Limit
    title: str
    subject: str
    place: str
    places: Places
    closet_id: int | None
    sentence: str
    reason: str
    attribution: dict[str, Any]
