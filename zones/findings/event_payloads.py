"""What an event says: everything that a dispatcher needs without a second call, and never a secret.

Whatever these bodies are made of is read here at once, in a constant number of queries for any number of
cases.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any, Final

from django.db import connection
from django.db.models import Model

from sites.changes.models import ChangeSet
from sites.models import Contact, Contract, Site
from zones.electrical.subjects import SubjectKind
from zones.hazards import Hazards
from zones.limits.registry import limit_by_code
from zones.models import Case, Finding
from zones.recheck.selectors import zones_of
from zones.subjects import Names

_CLOSET: Final = (
    "id", "name", "building", "floor", "room", "directions", "opened_by", "opening_hours", "key_location",
    "escort", "induction", "permits", "protective_equipment", "other_tenants", "dangers", "ladder_m",
)  # fmt: skip
_CONTACT: Final = ("role", "name", "phone", "email", "hours", "closet_id")
_SITE: Final = (
    "id", "code", "name", "address", "city", "postal_code", "time_zone", "out_of_hours_phone", "induction",
    "permits", "dangers",
)  # fmt: skip


def contracts_on(days: Mapping[int, dt.date]) -> dict[int, Contract]:
    """By site, the contract that covers it on its day; sites without one are left out."""
    with connection.cursor() as cursor:  # a model and a range of days for each take twice as long
        cursor.execute(
            """SELECT coverage.site_id, contract_id
               FROM coverage JOIN unnest(%s::bigint[], %s::date[]) AS asked(site_id, day) USING (site_id)
               WHERE days @> day""",
            [list(days), list(days.values())],
        )
        covering = dict(cursor.fetchall())
    contracts = Contract.objects.in_bulk(set(covering.values()))
    return {site_id: contracts[contract_id] for site_id, contract_id in covering.items()}


class Bodies:
    """Bodies of events about some cases, with all that they name."""

    def __init__(
        self,
        site_ids: Iterable[int],
        findings: Iterable[Finding],
        *,
        contracts: Mapping[int, Contract],
        before: Mapping[int, int],
    ) -> None:
        """findings: all that will be told of. before: by site, the step before which lies all that holds."""
        findings = list(findings)
        self.contracts = contracts
        site_ids = set(site_ids)
        self.sites = Site.objects.select_related("customer").in_bulk(site_ids)
        self.names = Names(
            (f.subject for f in findings), ((limit_by_code(f.code).detail, f.detail) for f in findings)
        )
        self.zones = zones_of({f.subject for f in findings})
        closets = {self.names.closet_of(f.subject) for f in findings}
        self.hazards = Hazards({pk for pk in closets if pk is not None}, before)
        self.contacts: dict[int, list[Contact]] = {}
        for contact in Contact.objects.filter(site_id__in=site_ids).order_by("role", "name", "id"):
            self.contacts.setdefault(contact.site_id, []).append(contact)

    def case(
        self, case: Case, findings: Iterable[Finding], entries: Iterable[Mapping[str, Any]] = ()
    ) -> dict[str, Any]:
        """One case: findings that are open, and those that have just left it."""
        findings = list(findings)
        return {
            **self.site(case.site_id, findings),
            "case": {
                "id": case.pk,
                "key": case.key,
                "change_set": case.change_set_id,
                "opened_at": case.opened_at,
                "cleared_at": case.cleared_at,
                "ticket_reference": case.ticket_reference,
            },
            "life_safety": self._life_safety(findings),
            "changes": list(entries),
            "findings": [self.finding(f) for f in findings],
            "cautions": self._cautions(case.site_id, findings),
            "link": f"/api/v1/cases/{case.pk}",
        }

    def site(self, site_id: int, findings: Iterable[Finding]) -> dict[str, Any]:
        """Whose it is, where it is, whom to call and how to get there."""
        site, contract = self.sites[site_id], self.contracts.get(site_id)
        known = self.hazards.closets
        closets = [known[pk] for pk in self._closet_ids(findings) if pk in known]
        there = {None, *(closet.pk for closet in closets)}
        return {
            "customer": {"id": site.customer_id, "code": site.customer.code, "name": site.customer.name},
            "site": _fields(site, _SITE),
            "closets": [_fields(closet, _CLOSET) for closet in closets],
            "contacts": [
                _fields(contact, _CONTACT)
                for contact in self.contacts.get(site_id, ())
                if contact.closet_id in there
            ],
            "contract": contract_body(contract),
        }

    def takeover(self, site_id: int, cases: Mapping[Case, list[Finding]]) -> dict[str, Any]:
        """The one summary of a site's first import."""
        findings = [f for of_case in cases.values() for f in of_case]
        verdicts = [f.verdict_word for f in findings]
        return {
            **self.site(site_id, findings),
            "life_safety": self._life_safety(findings),
            "counts": {verdict: verdicts.count(verdict) for verdict in sorted(set(verdicts))},
            "cases": [
                {
                    "id": case.pk,
                    "key": case.key,
                    "findings": [self.finding(f) for f in of_case],
                    "link": f"/api/v1/cases/{case.pk}",
                }
                for case, of_case in cases.items()
            ],
            "cautions": self._cautions(site_id, findings),
            "link": f"/api/v1/sites/{site_id}",
        }

    def finding(self, finding: Finding) -> dict[str, Any]:
        """One finding: subject, figure, limit, verdict, and the change that crossed it."""
        limit = limit_by_code(finding.code)
        kind, subject_id = finding.subject
        name, place = self.names.of(finding.subject), self.names.place(limit.detail, finding.detail)
        return {
            "id": finding.pk,
            "code": finding.code,
            "title": limit.title,
            "sentence": _capital(sentence_of(finding, name, place)),
            "severity": limit.severity.words,
            "subject": {"kind": SubjectKind(kind).word, "id": subject_id, "name": name},
            "place": place,
            "closet": self.names.closet_of(finding.subject),
            "zones": [asdict(zone) for zone in self.zones.get(finding.subject, ())],
            "verdict": finding.verdict_word,
            "figure": {"low": finding.low, "likely": finding.likely, "high": finding.high},
            "limit": finding.limit_value,
            "unit": limit.unit,
            "at_least": limit.rule is not None and limit.rule.at_least,
            "state": finding.state,
            "deferred_until": finding.deferred_until,
            "outcome": finding.outcome,
            "reason": finding.reason,
            "opened_at": finding.opened_at,
            "cleared_at": finding.cleared_at,
            "attribution": finding.attribution,
        }

    def _closet_ids(self, findings: Iterable[Finding]) -> dict[int | None, None]:
        return dict.fromkeys(self.names.closet_of(f.subject) for f in findings)

    def _said_of_zones(self, findings: Iterable[Finding]) -> set[str]:
        return {zone.life_safety for f in findings for zone in self.zones.get(f.subject, ())}

    def _life_safety(self, findings: Iterable[Finding]) -> str:
        """The gravest of the zones concerned."""
        said = self._said_of_zones(findings)
        return next((word for word in ("yes", "unknown", "no") if word in said), "unknown")

    def _cautions(self, site_id: int, findings: Sequence[Finding]) -> list[dict[str, str]]:
        """Those of the limits and of the places: each where it matters, with why."""
        found = self.hazards.cautions(
            self.sites[site_id],
            self._closet_ids(findings),
            life_safety=self._said_of_zones(findings),
            limits=(caution for f in findings for caution in limit_by_code(f.code).cautions),
        )
        return [{"code": str(c.caution), "text": c.text, "why": c.why} for c in found]


def sentence_of(finding: Finding, subject: str, place: str) -> str:
    """What a dispatcher reads: the limit's sentence, with the reason where it cannot be computed."""
    said = limit_by_code(finding.code).sentence(
        subject=subject,
        low=_number(finding.low),
        likely=_number(finding.likely),
        high=_number(finding.high),
        limit=_number(finding.limit_value),
        place=place,
    )
    return f"{said} Why: {finding.reason}." if finding.reason else said


def contract_body(contract: Contract | None) -> dict[str, Any] | None:
    if contract is None:
        return None
    return {
        "id": contract.pk,
        "reference": contract.reference,
        "response_hours": contract.response_hours,
    }


def change_set_body(change_set: ChangeSet, site: Site, contract: Contract) -> dict[str, Any]:
    """An accepted change set: who did what, when and why; what it led to is told by cases."""
    return {
        "customer": {"id": site.customer_id, "code": site.customer.code, "name": site.customer.name},
        "site": _fields(site, ("id", "code", "name", "time_zone")),
        "contract": contract_body(contract),
        "change_set": {
            "id": change_set.pk,
            "kind": change_set.kind,
            "purpose": change_set.purpose,
            "channel": change_set.channel,
            "actor": change_set.actor,
            "reason": change_set.reason,
            "job_reference": change_set.job_reference,
            "happened_on": change_set.happened_on,
            "recorded_at": change_set.recorded_at,
            "operations": len(change_set.operations),
        },
        "link": f"/api/v1/change-sets/{change_set.pk}",
    }


def _fields(row: Model, names: Iterable[str]) -> dict[str, Any]:
    return {name.removesuffix("_id") if name != "id" else name: getattr(row, name) for name in names}


def _number(value: float | None) -> float:
    return float("nan") if value is None else value


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
