"""What people on a site know about its zones and the record does not: which serve life safety, who pages with
whom, and what."""

from __future__ import annotations

from collections.abc import Iterator

from sites.selectors import holding, stood
from sites.wording import capital, plural
from zones.limits.cautions import zones_named
from zones.models import PagingSetZone, Run, Zone, ZoneFacts
from zones.selectors import runs_before


def zone_questions(site_id: int, before: int) -> Iterator[str]:
    """Each question in a sentence or two. As many queries for a large site as for a small one."""
    unsettled = Zone.objects.filter(stood(before), site=site_id, life_safety=Zone.LifeSafety.UNKNOWN)
    if names := sorted(unsettled.values_list("name", flat=True)):
        yield f"Which zones serve life safety? Not recorded for {zones_named(names, None)}."
    zones = {
        row.zone.pk: row.zone.name
        for run, row in runs_before(before, site_ids=[site_id])
        if run.kind == Run.Kind.SELF_AMPLIFIED and row.zone is not None
    }
    yield from _in_no_set(zones, site_id, before)
    recorded = holding(ZoneFacts, before).filter(zone__in=zones).exclude(signal=ZoneFacts.Signal.UNKNOWN)
    known = set(recorded.values_list("zone_id", flat=True))
    if names := sorted(name for pk, name in zones.items() if pk not in known):
        yield (
            "Which zones carry tones (chimes, bells, alarm tones, music)? Not recorded for "
            f"{zones_named(names, None)}: counted as speech."
        )


def _in_no_set(zones: dict[int, str], site_id: int, before: int) -> Iterator[str]:
    of_sets = PagingSetZone.objects.filter(stood(before, "paging_set__"), site=site_id)
    in_some = set(of_sets.values_list("zone_id", flat=True))
    names = sorted(name for pk, name in zones.items() if pk not in in_some)
    if in_some and names:
        counts = plural(len(names), "is in no paging set and counts", "are in no paging set; each counts")
        them = plural(len(names), "it", "them")
        yield capital(
            f"{zones_named(names)} {counts} as paging alone. Which zones page together with {them}?"
        )
