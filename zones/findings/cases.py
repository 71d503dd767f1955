"""Cases as a page, a ticket and an event show them: title, severity, verdict, contract with the time by which
a response is due, life safety, where to go and whom to call, cautions, and what it closed by.

As many queries for a page of cases as for one.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final
from zoneinfo import ZoneInfo

from django.utils import timezone

from sites.models import Contact, Contract, Coverage, Site
from sites.response import hours_text, respond_by
from zones.electrical.verdicts import Verdict
from zones.limits.cautions import CautionHere
from zones.limits.limit import Severity
from zones.limits.registry import limit_by_code
from zones.models import Case, Finding
from zones.plant.change_sets import ChangeSetInfo
from zones.recheck.selectors import ZoneConcerned

from .annotate import Annotated
from .closing import closing_text
from .selectors import by_severity, severity_of

CLOSET: Final = (
    "id", "name", "building", "floor", "room", "directions", "opened_by", "opening_hours", "escort",
    "induction", "permits", "protective_equipment", "other_tenants", "dangers", "ladder_m",
)  # fmt: skip
ASK_FOR_THE_KEY: Final = "ask the site contact"
"""Shown in cases, events and on paper instead of the place of a key, which only the closet sheet shows."""
CONTACT: Final = ("role", "name", "phone", "email", "hours", "closet_id")
LIFE_SAFETY: Final = ("yes", "unknown", "no")
"""The answers, the most severe first."""


@dataclass(frozen=True)
class Response:
    """contract: the one that covers the site on the day asked; None: none does. respond_by: None: nothing is
    owed. sentence: both in words."""

    contract: Contract | None
    respond_by: dt.datetime | None
    sentence: str


@dataclass(frozen=True)
class Concerned:
    """Where some findings of a site are, whom to call there, and what to beware of. life_safety: the most
    severe answer of the zones."""

    life_safety: str
    zones: tuple[ZoneConcerned, ...]
    closets: tuple[dict[str, Any], ...]
    contacts: tuple[dict[str, Any], ...]
    cautions: tuple[CautionHere, ...]


@dataclass(frozen=True)
class CaseInWords:
    """verdict: the worst that is open; None: it cleared. reopened_at: None where it opened once.
    cleared_by: the change sets, of a case that is cleared. closing_text: blank while it is open."""

    title: str
    severity: Severity
    verdict: Verdict | None
    response: Response
    concerned: Concerned
    reopened_at: dt.datetime | None
    cleared_by: tuple[ChangeSetInfo, ...]
    closing_text: str


class Covers:
    """Which contracts cover some sites. One query."""

    def __init__(self, site_ids: Iterable[int]) -> None:
        self._of: dict[int, list[Coverage]] = defaultdict(list)
        rows = Coverage.objects.filter(site_id__in=set(site_ids)).select_related("contract")
        for row in rows.order_by("site_id", "days"):
            self._of[row.site_id].append(row)

    def response(self, case: Case, site: Site, now: dt.datetime) -> Response:
        """By when a response to a case is due. It counts from the opening of the case, or from when the site
        came under cover without a gap until now; of a cleared case until it cleared."""
        zone = ZoneInfo(site.time_zone)
        day = (case.cleared_at or now).astimezone(zone).date()
        covered_from, contract = self._cover(site.pk, day)
        if case.withheld:
            whose = "the customer" if contract is None else f"contract {contract.reference}"
            said = f"Withheld: nothing is past for certain, and {whose} opens no case for probably past."
            return Response(contract, None, said)
        if contract is None or covered_from is None:
            return Response(None, None, self._not_covered(site.pk, day))
        begun = dt.datetime.combine(covered_from, dt.time(), tzinfo=zone)
        due = respond_by(contract, max(case.opened_at, begun), zone)
        hours = hours_text(contract)
        if due is None:
            return Response(contract, None, f"Contract {contract.reference}: {hours}.")
        at = due.astimezone(zone).strftime("%Y-%m-%d %H:%M")
        said = f"Respond by {at} ({site.time_zone}). Contract {contract.reference}: {hours}."
        return Response(contract, due, said)

    def _cover(self, site_id: int, day: dt.date) -> tuple[dt.date | None, Contract | None]:
        """The contract of a day, and the first day of the cover that holds without a gap until then."""
        begun: dt.date | None = None
        end: dt.date | None = None
        for row in self._of[site_id]:
            begun = row.days.lower if begun is None or end != row.days.lower else begun
            end = row.days.upper
            if day in row.days:
                return begun, row.contract
        return None, None

    def _not_covered(self, site_id: int, day: dt.date) -> str:
        last = [row for row in self._of[site_id] if row.days.upper is not None and row.days.upper <= day]
        said = f"Not under contract on {day}: no response time is agreed."
        if not last:
            return said
        until = last[-1].days.upper - dt.timedelta(days=1)
        return f"{said} Contract {last[-1].contract.reference} covered the site until {until}."


class Surroundings:
    """Whom to call at some sites. One query."""

    def __init__(self, site_ids: Iterable[int]) -> None:
        self._contacts: dict[int, list[Contact]] = defaultdict(list)
        for contact in Contact.objects.filter(site_id__in=set(site_ids)).order_by("role", "name", "id"):
            self._contacts[contact.site_id].append(contact)

    def concerned(self, site: Site, findings: Collection[Finding], annotated: Annotated) -> Concerned:
        words = [annotated.words[one.pk] for one in findings]
        closet_ids = list(dict.fromkeys(one.closet_id for one in words if one.closet_id is not None))
        closets = [annotated.hazards.closets[pk] for pk in closet_ids]
        zones = tuple(dict.fromkeys(zone for one in findings for zone in annotated.zones(one)))
        answers = {zone.life_safety for zone in zones}
        there = {None, *closet_ids}
        return Concerned(
            life_safety=next((one for one in LIFE_SAFETY if one in answers), "unknown"),
            zones=zones,
            closets=tuple(fields_of(closet, CLOSET) | {"key": ASK_FOR_THE_KEY} for closet in closets),
            contacts=tuple(
                fields_of(contact, CONTACT)
                for contact in self._contacts[site.pk]
                if contact.closet_id in there
            ),
            cautions=annotated.hazards.cautions(
                site,
                closet_ids,
                zones=zones,
                limits=(caution for one in words for caution in one.limit.cautions),
            ),
        )


class CasesInWords:
    """What it takes to put cases of some sites into words: two queries, however many cases."""

    def __init__(self, site_ids: Iterable[int], annotated: Annotated) -> None:
        """annotated: all findings that the cases are about."""
        site_ids = set(site_ids)
        self._annotated, self._now = annotated, timezone.now()
        self._covers, self.surroundings = Covers(site_ids), Surroundings(site_ids)

    def of(self, case: Case, findings: Sequence[Finding]) -> CaseInWords:
        """findings: those that are open, and of a cleared case those that cleared since it last opened. The
        site must be there with the case."""
        annotated, site = self._annotated, case.site
        words = annotated.words
        own = by_severity([one for one in findings if one.case_id == case.pk])
        still_open = [one for one in own if one.cleared_at is None]
        # the one that has just moved to another case, where that was all
        shown = still_open or own or by_severity(list(findings))
        severities = [limit_by_code(one.code).severity for one in shown]
        cleared = case.cleared_at is not None
        return CaseInWords(
            title=words[shown[0].pk].title if shown else f"{site.code}: no finding left",
            severity=max(severities, default=severity_of(case.gravity)),
            verdict=None if not still_open else Verdict(max(one.verdict for one in still_open)),
            response=self._covers.response(case, site, self._now),
            concerned=self.surroundings.concerned(site, shown, annotated),
            reopened_at=case.opened_at if case.first_opened_at not in (None, case.opened_at) else None,
            cleared_by=self._cleared_by(own) if cleared else (),
            closing_text=closing_text(case, own, words, annotated.change_sets, annotated.visits)
            if cleared
            else "",
        )

    def _cleared_by(self, findings: Sequence[Finding]) -> tuple[ChangeSetInfo, ...]:
        change_sets = self._annotated.change_sets
        ids = sorted({pk for one in findings for pk in (one.clearing or {"change_sets": ()})["change_sets"]})
        return tuple(change_sets[pk] for pk in ids if pk in change_sets)


def fields_of(row: Any, names: Iterable[str]) -> dict[str, Any]:
    """Columns of a row as a body shows them: of a key the name without ``_id``."""
    return {name.removesuffix("_id") if name != "id" else name: getattr(row, name) for name in names}
