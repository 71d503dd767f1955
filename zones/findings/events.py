"""Notifications: outbox rows, written in the transaction that made them happen.

A site without a contract on the day has findings but no events, nor has one that is not in service yet. What
is only probably past makes an event unless the contract says no; advice never does. A first import is quiet:
one summary, once. What a new formula changed is recorded without an event. A ticketing system opens one
ticket a case and closes the same one: ``case_key`` is stable, and a case without an event so far is opened by
its first event (a contract begins, the site goes into service, a finding grows worse). What an edit of the
catalogue brought to light is one summary a customer, once every site concerned was rechecked
(``catalogue_news``).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

from django.db.models import Exists, OuterRef

from sites.changes.services import today_at
from sites.changes.steps import first_step_after
from sites.models import Contract, Event, Site
from sites.models.changes import ChangeSet
from sites.outbox.services import events_write
from sites.selectors import contract_today
from zones.electrical.verdicts import Verdict
from zones.limits.registry import limit_by_code
from zones.models import Case, CatalogueNews, Finding, Takeover

from .event_kinds import EventKind
from .event_payloads import Payloads, change_set_body, contracts_on
from .reconcile import CaseUpdate, Entry, What
from .tests_outside import failed_tests
from .timeline import CANNOT_COMPUTE


def notify(
    updates: Sequence[CaseUpdate],
    *,
    as_of: Mapping[int, dt.date],
    now: dt.datetime,
    silent: Iterable[int] = (),
    unfinished: Collection[int] = (),
    taking_over: bool = True,
) -> None:
    """Write the events of one reconciliation, and note which cases have one.

    silent: sites without events this time of what a new formula changed. unfinished: sites that are still
    being built, where no case is opened and nothing summed up yet. taking_over: whether first imports are
    looked for (not after a failure, when nothing is known of them).
    """
    silent = set(silent)
    contracts = contracts_on(as_of)
    in_service = {site_id: c for site_id, c in contracts.items() if site_id not in unfinished}
    summed = {site_id: c for site_id, c in in_service.items() if site_id not in silent}
    summaries = _summaries(updates, summed) if taking_over else {}
    summed_up = {case.pk for cases in summaries.values() for case in cases}
    chosen = [
        (update, kind)
        for update in updates
        if update.case.pk not in summed_up
        and (kind := _kind(update, contracts)) is not None
        and (kind is not EventKind.CASE_OPENED or update.case.site_id in in_service)
        and not (update.case.site_id in silent and all(one.finding.recomputed for one in update.entries))
    ]
    if not chosen and not summaries:
        return
    by_catalogue = [(update, kind) for update, kind in chosen if _is_of_the_catalogue(update, kind)]
    chosen = [one for one in chosen if one not in by_catalogue]
    named = {f.pk: f for cases in summaries.values() for of_case in cases.values() for f in of_case}
    named |= {f.pk: f for update, _ in chosen for f in _findings(update)}
    payloads = Payloads(
        {update.case.site_id for update, _ in chosen} | set(summaries),
        named.values(),
        contracts=contracts,
        before={site_id: first_step_after(day) for site_id, day in as_of.items()},
    )
    events = [
        event(
            EventKind.SITE_TAKEN_OVER,
            payloads.sites[site_id],
            payloads.takeover(site_id, cases),
            happened_at=now,
            subject=f"sites/{site_id}",
        )
        for site_id, cases in summaries.items()
    ]
    events += [
        _case_event(kind, payloads, update.case, _findings(update), map(_entry, update.entries), now)
        for update, kind in chosen
    ]
    events_write(events)
    CatalogueNews.objects.bulk_create(_news([update for update, _ in by_catalogue]), ignore_conflicts=True)
    opened = [update.case.pk for update, kind in chosen if kind is EventKind.CASE_OPENED]
    Case.objects.filter(pk__in=[*opened, *summed_up]).update(notified_at=now)
    cleared = [update.case.pk for update, kind in chosen if kind is EventKind.CASE_CLEARED]
    Case.objects.filter(pk__in=cleared).update(notified_at=None)
    Takeover.objects.bulk_create(
        [Takeover(site_id=site_id, notified_at=now) for site_id in summaries], ignore_conflicts=True
    )


def notify_acknowledged(case: Case, finding: Finding, *, now: dt.datetime) -> None:
    """Write the event of a finding that was acknowledged, deferred, reopened, or given its outcome."""
    day = today_at(case.site_id)
    contracts = contracts_on({case.site_id: day})
    if case.notified_at is None or case.site_id not in contracts:
        return
    findings = list(case.findings.filter(cleared_at__isnull=True).order_by("id"))
    before = {case.site_id: first_step_after(day)}
    payloads = Payloads([case.site_id], findings, contracts=contracts, before=before)
    entry = {
        "what": str(finding.state),
        "finding": finding.pk,
        "by": finding.state_by,
        "reason": finding.state_reason,
    }
    _case_event(EventKind.CASE_ACKNOWLEDGED, payloads, case, findings, [entry], now).save()


def notify_accepted(*, change_set: ChangeSet, **_sent: object) -> None:
    """Receiver of ``change_set_accepted``: write the event where the site is under contract."""
    if change_set.recorded_at is not None:
        _of_change_set(EventKind.CHANGE_SET_ACCEPTED, change_set, change_set.recorded_at)


def notify_withdrawn(*, change_set: ChangeSet, **_sent: object) -> None:
    """Receiver of ``change_set_withdrawn``: the same of a change set that was accepted and is withdrawn. The
    next recheck clears what it brought about, and writes the events of that."""
    withdrawal = change_set.withdrawal
    said = {"withdrawal": {"actor": withdrawal.actor, "reason": withdrawal.reason}}
    _of_change_set(EventKind.CHANGE_SET_WITHDRAWN, change_set, withdrawal.withdrawn_at, said)


def _of_change_set(
    kind: EventKind, change_set: ChangeSet, happened_at: dt.datetime, more: Mapping[str, Any] | None = None
) -> None:
    if change_set.site_id is None or change_set.quiet:
        return
    contract = contract_today(change_set.site_id)
    if contract is None:
        return
    site = Site.objects.select_related("customer").get(pk=change_set.site_id)
    event(
        kind,
        site,
        change_set_body(change_set, site, contract) | dict(more or {}),
        subject=f"change-sets/{change_set.pk}",
        happened_at=happened_at,
    ).save()
    if kind is EventKind.CHANGE_SET_ACCEPTED and (
        failed := failed_tests(change_set, site, contract, happened_at)
    ):
        events_write(failed)


def makes_event(finding: Finding, contract: Contract, verdict: int | None = None) -> bool:
    """Whether a finding, at a verdict, makes an event under a contract."""
    if limit_by_code(finding.code).is_advice:
        return False
    if finding.code == CANNOT_COMPUTE:
        return verdict is None or verdict >= Verdict.CANNOT_TELL
    verdict = finding.verdict if verdict is None else verdict
    return verdict == Verdict.PAST or (
        verdict == Verdict.PROBABLY_PAST and contract.probably_past_opens_cases
    )


def _kind(update: CaseUpdate, contracts: Mapping[int, Contract]) -> EventKind | None:
    """The event of a case, if there is one."""
    case, contract = update.case, contracts.get(update.case.site_id)
    if contract is None:
        return None
    if not update.findings:
        return EventKind.CASE_CLEARED if update.cleared and case.notified_at is not None else None
    news = any(_is_news(entry, update, contract) for entry in update.entries)
    if case.notified_at is not None:
        return EventKind.CASE_CHANGED if news else None
    loud = any(makes_event(f, contract) and f.pk not in update.quiet for f in update.findings)
    return EventKind.CASE_OPENED if loud and (news or not case.quiet) else None


def _is_news(entry: Entry, update: CaseUpdate, contract: Contract) -> bool:
    if entry.finding.pk in update.quiet and entry.what is What.JOINED:
        return False
    return makes_event(entry.finding, contract) or makes_event(entry.finding, contract, entry.before)


def _summaries(
    updates: Sequence[CaseUpdate], contracts: Mapping[int, Contract]
) -> dict[int, dict[Case, list[Finding]]]:
    """By site that was taken over and not yet summed up, its open cases with their findings. Again where a
    later quiet import opened more: none is lost, and none becomes an event of its own."""
    pending = {
        update.case.site_id
        for update in updates
        if update.quiet and update.case.notified_at is None and update.case.site_id in contracts
    }
    quietly = ChangeSet.objects.filter(
        ~Exists(Takeover.objects.filter(site_id=OuterRef("site_id"))),
        site_id__in=contracts,
        quiet=True,
        state=ChangeSet.State.ACCEPTED,
    )
    sites = pending | set(quietly.values_list("site_id", flat=True).distinct())
    summaries: dict[int, dict[Case, list[Finding]]] = {site_id: {} for site_id in sorted(sites)}
    for update in updates:
        if update.quiet and update.case.notified_at is None and update.case.site_id in summaries:
            summaries[update.case.site_id][update.case] = update.findings
    return summaries


def _catalogue_edit(finding: Finding) -> int | None:
    """The change set by which an edit of the catalogue made the finding known, at its site."""
    change = finding.attribution.get("change") or {}
    said = change.get("corrected") or {}
    return change["correction"] if said.get("what") == "catalogue" else None


def _is_of_the_catalogue(update: CaseUpdate, kind: EventKind) -> bool:
    """Whether all that is new about a case is that an edit of the catalogue brought it to light."""
    if kind not in (EventKind.CASE_OPENED, EventKind.CASE_CHANGED):
        return False
    joined = [entry for entry in update.entries if entry.what is What.JOINED]
    return len(joined) == len(update.entries) > 0 and all(_catalogue_edit(one.finding) for one in joined)


def _news(updates: Sequence[CaseUpdate]) -> list[CatalogueNews]:
    """Which cases an edit of the catalogue brought to light, to be told later."""
    edits = {update.case.pk: _catalogue_edit(update.entries[0].finding) or 0 for update in updates}
    at_sites = ChangeSet.objects.in_bulk(set(edits.values()))
    found = []
    for update in updates:
        at_site = at_sites[edits[update.case.pk]]
        edit = at_site.operations[0].get("change_set", at_site.pk) if at_site.operations else at_site.pk
        found.append(CatalogueNews(case=update.case, change_set_id=edit))
    return found


def _findings(update: CaseUpdate) -> list[Finding]:
    """Findings that are open, then those that have just left."""
    left = [entry.finding for entry in update.entries if entry.what is What.LEFT]
    return [*update.findings, *left]


def _entry(entry: Entry) -> dict[str, Any]:
    return {
        "what": str(entry.what),
        "finding": entry.finding.pk,
        "verdict_before": entry.before.name.lower(),
        "moved_to": entry.moved_to,
    }


def _case_event(
    kind: EventKind,
    payloads: Payloads,
    case: Case,
    findings: Sequence[Finding],
    entries: Iterable[Mapping[str, Any]],
    now: dt.datetime,
) -> Event:
    return event(
        kind,
        payloads.sites[case.site_id],
        payloads.case(case, findings, entries),
        subject=f"cases/{case.pk}",
        case_key=case.key,
        happened_at=now,
    )


def event(kind: EventKind, site: Site, body: dict[str, Any], **values: Any) -> Event:
    return Event(kind=kind, customer_id=site.customer_id, site_id=site.pk, body=body, **values)
