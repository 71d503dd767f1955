"""Findings, cases and open questions, as lists show them: of a scope, a customer, a site, a closet or a
zone."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from django.db.models import Prefetch, Q, QuerySet

from sites.access.scope import Scope, scoped
from sites.changes.steps import first_step_after
from sites.models import (
    Amplifier,
    Block,
    Closet,
    Endpoint,
    EndpointFacts,
    Output,
    Supply,
    Switch,
    SwitchPort,
)
from sites.selectors import holding, standing, stood
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.limits.registry import limit_by_code
from zones.models import Figures, PointFacts, Run, RunFacts, Zone, ZoneEndpoint

from .models import Case, Finding


@dataclass(frozen=True)
class OpenQuestion:
    """A limit of which the record cannot tell whether it is past. low, likely, high, limit: [unit of the
    limit], None not known. missing: a rating or a value that everything hangs on is not recorded at all."""

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


def of_closet(closet: Closet) -> Q:
    """Findings whose subject stands in a closet: a run, in that of its block; an output, in its device's."""
    endpoints = Endpoint.objects.filter(closet=closet).values("pk")
    return _of_subjects(
        {
            SubjectKind.RUN: Run.objects.filter(block__closet=closet),
            SubjectKind.OUTPUT: Output.objects.filter(endpoint__in=endpoints),
            SubjectKind.SUPPLY: Supply.objects.filter(closet=closet),
            SubjectKind.AMPLIFIER: Amplifier.objects.filter(closet=closet),
            SubjectKind.SWITCH: Switch.objects.filter(closet=closet),
            SubjectKind.PORT: SwitchPort.objects.filter(switch__closet=closet),
            SubjectKind.ENDPOINT: Endpoint.objects.filter(closet=closet),
            SubjectKind.BLOCK: Block.objects.filter(closet=closet),
        }
    )


def of_zone(zone: Zone, as_of: dt.date) -> Q:
    """Findings whose subject the zone hangs on at the end of a day: its runs and what feeds those, its
    network speakers and gateways, their ports and switches."""
    bound = first_step_after(as_of)
    of_site = {"site_id": zone.site_id}
    # a speaker that hangs in the zone but on another one's run makes it hang on that run as well
    strays = holding(PointFacts, bound).filter(zone=zone, **of_site)
    facts = holding(RunFacts, bound).filter(
        Q(zone=zone) | Q(run__in=strays.values("run")), stood(bound, "run__"), **of_site
    )
    midst = holding(PointFacts, bound).filter(
        feed_supply__isnull=False, run__in=facts.values("run"), **of_site
    )
    heard = standing(ZoneEndpoint, bound, zone=zone)
    outputs = Output.objects.filter(pk__in=facts.values("output"))
    endpoints = Endpoint.objects.filter(
        Q(pk__in=heard.values("endpoint")) | Q(pk__in=outputs.values("endpoint"))
    )
    patched = holding(EndpointFacts, bound).filter(endpoint__in=endpoints.values("pk"))
    ports = SwitchPort.objects.filter(pk__in=patched.values("port"))
    runs = Run.objects.filter(pk__in=facts.values("run"))
    return _of_subjects(
        {
            SubjectKind.RUN: runs,
            SubjectKind.OUTPUT: outputs,
            SubjectKind.SUPPLY: Supply.objects.filter(
                Q(pk__in=facts.values("supply")) | Q(pk__in=midst.values("feed_supply"))
            ),
            SubjectKind.AMPLIFIER: Amplifier.objects.filter(pk__in=facts.values("amplifier")),
            SubjectKind.BLOCK: Block.objects.filter(pk__in=runs.values("block")),
            SubjectKind.ENDPOINT: endpoints,
            SubjectKind.PORT: ports,
            SubjectKind.SWITCH: Switch.objects.filter(pk__in=ports.values("switch")),
        }
    )


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


def _of_subjects(subjects: dict[SubjectKind, QuerySet[Any]]) -> Q:
    wanted = Q(pk__in=[])
    for kind, rows in subjects.items():
        wanted |= Q(subject_kind=int(kind), subject_id__in=rows.values("pk"))
    return wanted
