"""The one summary that a customer gets of what an edit of the catalogue brought to light.

An edit concerns sites in many batches of the recheck. Each batch notes its cases in its own transaction; the
sweep tells of them once no site of the customer is still marked by the edit.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict

from django.db import connection, transaction
from django.utils import timezone

from sites.changes.making import today_in
from sites.changes.steps import first_step_after
from sites.models import Site
from sites.models.changes import ChangeSet, Mark
from sites.outbox.services import events_write
from zones.models import Case, CatalogueNews, Finding

from .event_kinds import EventKind
from .event_payloads import Payloads, contracts_on
from .events import event

# Not among the keys of claims, which are far larger (zones/recheck/claims.py)
_LOCK = "SELECT pg_try_advisory_xact_lock(hashtext('zonebook catalogue news'))"


def tell_catalogue_news(now: dt.datetime | None = None) -> None:
    """Write the summaries that are complete; a chore of the sweep.

    1. One process at a time: another one leaves it to that one.
    2. Look for customers and edits without a mark left. A site that could not be computed is not waited for:
       what is found there later gets its event then.
    3. Then read their cases: a batch that deleted the last mark has committed its cases with that.
    4. Write the events, and forget the news.
    """
    if not CatalogueNews.objects.exists():
        return
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(_LOCK)
        if not cursor.fetchone()[0]:
            return
        for customer_id, edit_id in _complete():
            _tell(customer_id, edit_id, now or timezone.now())


def _complete() -> list[tuple[int, int]]:
    """Customers and edits of whose sites none waits for its recheck."""
    noted = set(CatalogueNews.objects.values_list("case__site__customer_id", "change_set_id"))
    marks = Mark.objects.exclude(lane=Mark.Lane.SET_ASIDE).filter(change_set__in={edit for _, edit in noted})
    return sorted(noted - set(marks.values_list("site__customer_id", "change_set_id")))


def _tell(customer_id: int, edit_id: int, now: dt.datetime) -> None:
    news = CatalogueNews.objects.filter(case__site__customer_id=customer_id, change_set_id=edit_id)
    findings: dict[int, list[Finding]] = defaultdict(list)
    there = Finding.objects.filter(case__in=news.values("case_id"), cleared_at__isnull=True)
    for finding in there.order_by("id"):
        findings[finding.case_id].append(finding)
    cases = list(Case.objects.filter(pk__in=findings).order_by("pk"))
    zones = dict(Site.objects.filter(cases__in=cases).values_list("pk", "time_zone"))
    days = {site_id: today_in(zone, now) for site_id, zone in zones.items()}
    contracts = contracts_on(days)
    cases = [case for case in cases if case.site_id in contracts]
    if cases:
        payloads = Payloads(
            {case.site_id for case in cases},
            [finding for case in cases for finding in findings[case.pk]],
            contracts=contracts,
            before={site_id: first_step_after(day) for site_id, day in days.items()},
        )
        site = payloads.sites[cases[0].site_id]
        edit = ChangeSet.objects.get(pk=edit_id)
        body = payloads.catalogue(site.customer, edit, {case: findings[case.pk] for case in cases})
        subject = f"change-sets/{edit_id}"
        events_write([event(EventKind.CATALOGUE_CORRECTED, site, body, happened_at=now, subject=subject)])
        told = Case.objects.filter(pk__in=[case.pk for case in cases], notified_at__isnull=True)
        told.update(notified_at=now)
    news.delete()
