"""What a result of a search says: title, place, where it is in the API, and its worst open verdict."""

# ruff: noqa: S608 - the SQL text is from this file
from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from sites.changes.sql_v2.search import KINDS
from sites.wording import listed, plural, within_building
from zones.electrical.subjects import SubjectKind
from zones.subjects import NAMED

_RESOURCES: Final = {word: of.resource for word, of in NAMED.items() if of.resource} | {
    "job": "change-sets",
    "ticket": "cases",
}
MOST_CLOSETS: Final = 3
_SUBJECTS: Final = {kind.word: int(kind) for kind in SubjectKind if kind is not SubjectKind.SITE}
_REFERRING: Final = {
    "job": "SELECT 'job', t.id, t.site_id, t.job_reference, left(t.reason, 80), NULL::bigint "
    "FROM change_set t",
    "ticket": "SELECT 'ticket', t.id, t.site_id, t.ticket_reference, NULL, NULL::bigint FROM \"case\" t",
}


@dataclass(frozen=True)
class Details:
    path: str
    title: str
    where: str
    closet_id: int | None
    verdict: int | None


def details(cursor: Any, keys: Sequence[tuple[str, int, int | None]]) -> dict[tuple[str, int], Details]:
    """Details of some things, by kind and id. keys: kind, id and site of each."""
    ids: dict[str, list[int]] = defaultdict(list)
    for kind, id_, _site in keys:
        ids[kind].append(id_)
    if not ids:
        return {}
    parts = [
        f"({_REFERRING[kind]} WHERE t.id = ANY(%({kind})s))"
        if kind in _REFERRING
        else f"""(SELECT '{kind}', thing_id, site_id, title, place, closet_id FROM search_source
                  WHERE kind = {KINDS[kind]} AND thing_id = ANY(%({kind})s))"""
        for kind in ids
    ]
    cursor.execute(
        f"""SELECT f.kind, f.id, f.title, c.name, s.name, f.place,
                   k.name, k.building, k.floor, k.room, f.closet_id
            FROM ({" UNION ALL ".join(parts)}) AS f (kind, id, site_id, title, place, closet_id)
            LEFT JOIN site s ON s.id = f.site_id LEFT JOIN customer c ON c.id = s.customer_id
            LEFT JOIN closet k ON k.id = f.closet_id""",
        ids,
    )
    rows = cursor.fetchall()
    verdicts = _verdicts(cursor, ids, sorted({site for _, _, site in keys if site is not None}))
    begins_in = _closets_of_zones(cursor, ids.get("zone", []))
    return {
        (kind, id_): Details(
            path=f"{_RESOURCES.get(kind, kind + 's')}/{id_}",
            title=title,
            where=", ".join(
                part
                for part in (
                    customer,
                    site if kind != "site" else None,
                    closet if kind != "closet" else None,
                    within_building(*in_building) if kind == "closet" else place,
                    begins_in.get((kind, id_)),
                )
                if part
            ),
            closet_id=closet_id,
            verdict=verdicts.get((kind, id_)),
        )
        for kind, id_, title, customer, site, place, closet, *in_building, closet_id in rows
    }


def _closets_of_zones(cursor: Any, zones: list[int]) -> dict[tuple[str, int], str]:
    """In words, the closets where the runs of zones begin. When a zone is quiet, somebody is sent there."""
    if not zones:
        return {}
    cursor.execute(
        "SELECT z.zone_id, array_agg(DISTINCT closet.name ORDER BY closet.name) FROM zone_subject z"
        " JOIN run ON run.id = z.subject_id JOIN block ON block.id = run.block_id"
        " JOIN closet ON closet.id = block.closet_id"
        " WHERE z.zone_id = ANY(%s) AND z.subject_kind = %s GROUP BY z.zone_id",
        [zones, int(SubjectKind.RUN)],
    )
    return {
        ("zone", zone): f"{plural(len(names), 'closet')} {listed(names, MOST_CLOSETS)}"
        for zone, names in cursor.fetchall()
    }


def _verdicts(cursor: Any, ids: dict[str, list[int]], sites: list[int]) -> dict[tuple[str, int], int]:
    """The worst verdict of the open findings of subjects, zones and sites."""
    cursor.execute(
        "SELECT f.subject_kind, f.subject_id, f.site_id, f.verdict, ARRAY("
        " SELECT z.zone_id FROM zone_subject z"
        " WHERE (z.subject_kind, z.subject_id) = (f.subject_kind, f.subject_id)"
        " AND z.zone_id = ANY(%s)) FROM finding f WHERE f.site_id = ANY(%s) AND f.cleared_at IS NULL",
        [ids.get("zone", []), sites],
    )
    worst: dict[tuple[str, int], int] = {}
    words = {number: word for word, number in _SUBJECTS.items()}
    for subject_kind, subject, site, verdict, zones in cursor.fetchall():
        concerned = [("site", site), *(("zone", zone) for zone in zones)]
        if subject_kind in words:
            concerned.append((words[subject_kind], subject))
        for key in concerned:
            worst[key] = max(worst.get(key, verdict), verdict)
    return worst
