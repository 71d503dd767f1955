"""Findings as a person reads them in a list: what each is about, where that stands, which zones it bears on,
and what to beware of there. In at most four queries, however many findings and kinds of things there are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.utils import timezone

from sites.changes.steps import first_step_after
from zones.hazards import Hazards
from zones.limits.cautions import CautionHere
from zones.limits.limit import Limit
from zones.limits.registry import limit_by_code
from zones.models import Finding
from zones.recheck.selectors import ZoneConcerned, zones_of
from zones.subjects import Names

from .event_payloads import sentence_of


@dataclass(frozen=True)
class ToldFinding:
    """subject, place: as people call them; place: where to look, blank where nowhere in particular.
    closet_id: where to go; None: in no closet."""

    limit: Limit
    subject: str
    place: str
    closet_id: int | None
    zones: tuple[ZoneConcerned, ...]
    sentence: str
    cautions: tuple[CautionHere, ...]


def told(findings: Sequence[Finding]) -> dict[int, ToldFinding]:
    """By id, findings in words, as of today at their sites, which must be there with them."""
    if not findings:
        return {}
    now = timezone.now()
    before = {
        f.site_id: first_step_after(now.astimezone(ZoneInfo(f.site.time_zone)).date()) for f in findings
    }
    zones = zones_of({f.subject for f in findings})
    names = Names((f.subject for f in findings), ((limit_by_code(f.code).detail, f.detail) for f in findings))
    closets = {names.closet_of(f.subject) for f in findings}
    hazards = Hazards({pk for pk in closets if pk is not None}, before)
    return {f.pk: _told(f, zones.get(f.subject, ()), names, hazards) for f in findings}


def _told(finding: Finding, zones: tuple[ZoneConcerned, ...], names: Names, hazards: Hazards) -> ToldFinding:
    limit = limit_by_code(finding.code)
    subject, closet_id = names.of(finding.subject), names.closet_of(finding.subject)
    place = names.place(limit.detail, finding.detail)
    said = sentence_of(finding, subject, place)
    return ToldFinding(
        limit=limit,
        subject=subject,
        place=place,
        closet_id=closet_id,
        zones=zones,
        sentence=f"{said[:1].upper()}{said[1:]}",
        cautions=hazards.cautions(
            finding.site,
            [closet_id],
            life_safety={zone.life_safety for zone in zones},
            limits=limit.cautions,
        ),
    )
