"""How lists choose and sort findings."""

from __future__ import annotations

from django.db.models import Exists, OuterRef, Q

from zones.limits.registry import limit_by_code
from zones.models import Finding, Zone, ZoneSubject


def of_zone(zone: Zone) -> Q:
    """The condition that a finding's subject bears on a zone today."""
    bears = ZoneSubject.objects.filter(
        zone=zone, subject_kind=OuterRef("subject_kind"), subject_id=OuterRef("subject_id")
    )
    return Q(Exists(bears), site_id=zone.site_id)


def by_severity(rows: list[Finding]) -> list[Finding]:
    """In the order in which a dispatcher looks at them: what may hurt, what falls silent, what is surest."""
    return sorted(rows, key=lambda f: (-limit_by_code(f.code).severity, -f.verdict, f.pk))
