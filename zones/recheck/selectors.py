"""What the last recheck stored, read instead of computed again."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass

from django.db import connection

from zones.electrical.subjects import Subject


@dataclass(frozen=True)
class ZoneConcerned:
    """A zone that a subject bears on."""

    id: int
    name: str
    life_safety: str


def zones_of(subjects: Collection[Subject]) -> dict[Subject, tuple[ZoneConcerned, ...]]:
    """By subject, the zones that it bears on today, in the order of their ids. At most one query."""
    if not subjects:
        return {}
    found: dict[Subject, list[ZoneConcerned]] = defaultdict(list)
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT subject_kind, subject_id, zone.id, zone.name, zone.life_safety
               FROM unnest(%s::int[], %s::bigint[]) AS asked(subject_kind, subject_id)
               JOIN zone_subject USING (subject_kind, subject_id) JOIN zone ON zone.id = zone_id
               ORDER BY zone.id""",
            [[kind for kind, _ in subjects], [pk for _, pk in subjects]],
        )
        for kind, pk, *zone in cursor.fetchall():
            found[kind, pk].append(ZoneConcerned(*zone))
    return {subject: tuple(dict.fromkeys(zones)) for subject, zones in found.items()}
