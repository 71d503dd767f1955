"""How lists choose and sort findings."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import DateField, Exists, Func, OuterRef, Q, Subquery

from sites.access.scope import on_sites
from sites.models import Coverage
from zones.electrical.verdicts import Verdict
from zones.limits.limit import Severity
from zones.limits.registry import limit_by_code
from zones.models import Case, Finding, Zone, ZoneSubject


def of_zone(zone: Zone) -> Q:
    """The condition that a finding's subject bears on a zone today."""
    bears = ZoneSubject.objects.filter(
        zone=zone, subject_kind=OuterRef("subject_kind"), subject_id=OuterRef("subject_id")
    )
    return Q(Exists(bears), site_id=zone.site_id)


class _DayConcerned(Func):
    """The day that counts for a row, in the time zone of its site: today, or that on which it cleared."""

    template = "(coalesce(%(expressions)s)::date"
    arg_joiner = ", now()) AT TIME ZONE "
    output_field = DateField()


def of_contract(contract_id: int) -> Q:
    """The condition that a contract covers the site of a case or a finding: today, or when it cleared."""
    covering = Coverage.objects.filter(contract_id=contract_id)
    then = covering.filter(
        site_id=OuterRef("site_id"),
        days__contains=_DayConcerned(OuterRef("cleared_at"), OuterRef("site__time_zone")),
    )
    return Q(Exists(then), on_sites(covering.order_by().values("site_id")))


def of_the_last_opening() -> Q:
    """The condition that a finding is open, or cleared with its case since that last opened."""
    # Looked up: joined, all cases that there are would be read
    opened = Case.objects.filter(pk=OuterRef("case_id"), cleared_at__isnull=False).values("opened_at")
    return Q(cleared_at__isnull=True) | Q(cleared_at__gte=Subquery(opened))


def severity_of(gravity: int) -> Severity:
    """The severity in column ``gravity`` of a case."""
    return next(one for one in Severity if one == gravity // 10)


def gravities(severities: Iterable[str] | None = None, verdict: int = 0) -> list[int]:
    """The gravities of cases of some severities (left out: of all), and of a verdict or a worse one."""
    chosen = [one for one in Severity if severities is None or one.name.lower() in {*severities}]
    return [10 * severity + one for severity in chosen for one in Verdict if one >= verdict]


def open_on_site(site_id: int) -> dict[tuple[str, int, int], int]:
    """The ids of the findings of a site that have not cleared, by limit, kind and id of their subject."""
    rows = Finding.objects.filter(site_id=site_id, cleared_at__isnull=True).order_by()
    return {
        (code, kind, subject_id): pk
        for code, kind, subject_id, pk in rows.values_list("code", "subject_kind", "subject_id", "pk")
    }


def by_severity(rows: list[Finding]) -> list[Finding]:
    """In the order in which a dispatcher looks at them: what may hurt, what falls silent, what is surest."""
    return sorted(rows, key=lambda f: (-limit_by_code(f.code).severity, -f.verdict, f.pk))
