"""Findings, cases and open questions, as lists show them: of a scope, a customer, a site, a closet or a
zone."""

from __future__ import annotations

from dataclasses import dataclass

from django.db.models import Exists, OuterRef, Prefetch, Q, QuerySet

from sites.access.scope import Scope, scoped
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.limits.registry import limit_by_code
from zones.models import Case, Figures, Finding, Zone, ZoneSubject


@dataclass(frozen=True)
class OpenQuestion:
    """A limit of which the record cannot tell whether it is past. low, likely, high, limit: [unit of the
    limit], None not known. missing: a rating, or a value that the figure depends on, is not recorded."""

    site_id: int
    subject_kind: SubjectKind
    subject_id: int
    code: str
    low: float | None
    likely: float | None
    high: float | None
    limit: float | None
    detail: int | None
    missing: bool


def findings(scope: Scope, *, cleared: bool = False) -> QuerySet[Finding]:
    """Findings that one may see, the newest first; open ones only unless ``cleared``."""
    rows = scoped(Finding, scope).select_related("case", "site", "site__customer")
    return rows if cleared else rows.filter(cleared_at__isnull=True)


def cases(scope: Scope, *, cleared: bool = False) -> QuerySet[Case]:
    """Cases that one may see, each with its open findings in ``open_findings``."""
    rows = scoped(Case, scope).select_related("site", "site__customer", "change_set")
    rows = rows if cleared else rows.filter(cleared_at__isnull=True)
    open_ones = Finding.objects.filter(cleared_at__isnull=True).order_by("-verdict", "id")
    return rows.prefetch_related(Prefetch("findings", queryset=open_ones, to_attr="open_findings"))


def of_zone(zone: Zone) -> Q:
    """The condition that a finding's subject bears on a zone today."""
    bears = ZoneSubject.objects.filter(
        zone=zone, subject_kind=OuterRef("subject_kind"), subject_id=OuterRef("subject_id")
    )
    return Q(Exists(bears), site_id=zone.site_id)


def survey_list(scope: Scope, *, site_id: int | None = None) -> list[OpenQuestion]:
    """What the record leaves open, by site and subject: not findings, but questions for the next visit."""
    rows = scoped(Figures, scope).filter(verdict__contains=[int(Verdict.CANNOT_TELL)])
    if site_id is not None:
        rows = rows.filter(site_id=site_id)
    return [
        OpenQuestion(
            site_id=row.site_id,
            subject_kind=SubjectKind(row.subject_kind),
            subject_id=row.subject_id,
            code=code,
            low=row.low[k],
            likely=row.likely[k],
            high=row.high[k],
            limit=row.limit_value[k],
            detail=row.detail[k],
            missing=row.limit_value[k] is None or row.high[k] is None,
        )
        for row in rows.order_by("site_id", "subject_kind", "subject_id")
        for k, code in enumerate(row.codes)
        if row.verdict[k] == Verdict.CANNOT_TELL
    ]


def by_severity(rows: list[Finding]) -> list[Finding]:
    """In the order in which a dispatcher looks at them: what may hurt, what falls silent, what is surest."""
    return sorted(rows, key=lambda f: (-limit_by_code(f.code).severity, -f.verdict, f.pk))
