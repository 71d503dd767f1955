"""How many findings are open, by verdict: of sites, of closets, of zones. As many queries for many as for
one."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping
from typing import Any, Final

from django.db import connection
from django.db.models import Count, Value

from sites.models import Closet
from sites.wording import capital, counted, plural
from zones.electrical.verdicts import Verdict
from zones.models import Finding
from zones.subjects import closet_of_subject

ByVerdict = Mapping[Verdict, int]

# A finding counts once for each zone on which its subject bears. OFFSET 0 has each subject looked up: joined,
# all open findings of the fleet would be read
_OF_ZONES: Final = """
SELECT zone_id, f.verdict, count(*) FROM zone_subject z CROSS JOIN LATERAL (
    SELECT verdict FROM finding
    WHERE subject_kind = z.subject_kind AND subject_id = z.subject_id AND cleared_at IS NULL OFFSET 0
) f WHERE zone_id = ANY(%s::bigint[]) GROUP BY zone_id, f.verdict
"""


def open_on_sites(site_ids: Collection[int]) -> dict[int, ByVerdict]:
    """By site. One query."""
    rows = Finding.objects.filter(site_id__in=site_ids, cleared_at__isnull=True).order_by()
    return _by_verdict(rows.values_list("site_id", "verdict").annotate(Count("pk")))


def open_in_closets(closets: Iterable[Closet]) -> dict[int, ByVerdict]:
    """By closet: of what stands there. One query."""
    sites = {closet.site_id for closet in closets}
    rows = Finding.objects.filter(site_id__in=sites, cleared_at__isnull=True).order_by()
    return _by_verdict(rows.annotate(closet=closet_of_subject()).values_list("closet", "verdict", Value(1)))


def open_on_zones(zone_ids: Collection[int]) -> dict[int, ByVerdict]:
    """By zone: of what bears on it today. One query."""
    with connection.cursor() as cursor:
        cursor.execute(_OF_ZONES, [list(zone_ids)])
        return _by_verdict(cursor.fetchall())


def _by_verdict(rows: Iterable[tuple[Any, ...]]) -> dict[int, ByVerdict]:
    found: dict[int, Counter[Verdict]] = defaultdict(Counter)
    for thing_id, verdict, count in rows:
        found[thing_id][Verdict(verdict)] += count
    return {**found}


def summary(by_verdict: ByVerdict, cleared: int = 0, *, noun: str) -> str:
    """``7 cases are past or probably past; cannot tell for 12 cases.`` by_verdict: how many are open, by the
    worst verdict of each."""

    def are(count: int) -> str:
        return f"{counted(count, noun)} {plural(count, 'is', 'are')}"

    past = by_verdict.get(Verdict.PAST, 0) + by_verdict.get(Verdict.PROBABLY_PAST, 0)
    said = [f"{are(past)} past or probably past"] if past else []
    if not past and (by_verdict or not cleared):
        said.append("nothing is past")
    if unknown := by_verdict.get(Verdict.CANNOT_TELL, 0):
        said.append(f"cannot tell for {counted(unknown, noun)}")
    if near := by_verdict.get(Verdict.NEAR, 0):
        said.append(f"{are(near)} near a limit")
    if cleared:
        said.append(f"{counted(cleared, noun)} cleared")
    return capital("; ".join(said)) + "."
