"""What an event says: everything that a dispatcher needs without a second call, and never a secret.

Whatever these bodies are made of is read here at once, in a constant number of queries for any number of
cases.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any, Final

from django.db import connection
from django.db.models import Model

from sites.changes.models import ChangeSet
from sites.models import Amplifier, AmplifierFacts, Closet, Contact, Contract, Site, Supply
from zones.electrical.subjects import SubjectKind
from zones.limits.cautions import Surroundings, cautions_of
from zones.limits.names import names_of, places_of
from zones.limits.registry import limit_by_code
from zones.models import Zone

from .locations import Whereabouts, whereabouts_of
from .models import Case, Finding

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
        step: Mapping[int, int],
    ) -> None:
        """findings: all that will be told of. step: by site, the one as of which zones hang on what."""
        findings = list(findings)
        self.contracts = contracts
        site_ids = set(site_ids)
        self.sites = Site.objects.select_related("customer").in_bulk(site_ids)
        self.names = names_of(f.subject for f in findings)
        details = {f.pk: limit_by_code(f.code).detail for f in findings}
        self.place_names = places_of(
            (kind, f.detail) for f in findings if (kind := details[f.pk]) is not None and f.detail is not None
        )
        self.whereabouts = whereabouts_of(((f.site_id, f.subject) for f in findings), step)
        self.zones = Zone.objects.in_bulk({z for w in self.whereabouts.values() for z in w.zone_ids})
        self.closets = Closet.objects.in_bulk(
            {w.closet_id for w in self.whereabouts.values() if w.closet_id is not None}
        )
        self.sources, self.line_voltages = self._energised(step)
        self.contacts: dict[int, list[Contact]] = {}
        for contact in Contact.objects.filter(site_id__in=site_ids).order_by("role", "name", "id"):
            self.contacts.setdefault(contact.site_id, []).append(contact)

    def case(
        self, case: Case, findings: Iterable[Finding], entries: Iterable[Mapping[str, Any]] = ()
    ) -> dict[str, Any]:
        """One case: findings that are open, and those that have just left it."""
        findings = list(findings)
        where = [self._where(f) for f in findings]
        closets = [self.closets[k] for k in dict.fromkeys(w.closet_id for w in where) if k in self.closets]
        return {
            **self.site(case.site_id, closets),
            "case": {
                "id": case.pk,
                "key": case.key,
                "change_set": case.change_set_id,
                "opened_at": case.opened_at,
                "cleared_at": case.cleared_at,
                "ticket_reference": case.ticket_reference,
            },
            "life_safety": self._life_safety(where),
            "changes": list(entries),
            "findings": [self.finding(f) for f in findings],
            "cautions": self._cautions(case.site_id, findings, where),
            "link": f"/api/v1/cases/{case.pk}",
        }

    def site(self, site_id: int, closets: Iterable[Closet]) -> dict[str, Any]:
        """Whose it is, where it is, whom to call and how to get there."""
        site, contract = self.sites[site_id], self.contracts.get(site_id)
        closets = list(closets)
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
        where = [self._where(f) for f in findings]
        closets = [self.closets[k] for k in dict.fromkeys(w.closet_id for w in where) if k in self.closets]
        verdicts = [f.verdict_word for f in findings]
        return {
            **self.site(site_id, closets),
            "life_safety": self._life_safety(where),
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
            "cautions": self._cautions(site_id, findings, where),
            "link": f"/api/v1/sites/{site_id}",
        }

    def finding(self, finding: Finding) -> dict[str, Any]:
        """One finding: subject, figure, limit, verdict, and the change that crossed it."""
        limit, where = limit_by_code(finding.code), self._where(finding)
        kind, subject_id = finding.subject
        name = self.names.get(finding.subject, f"{SubjectKind(kind).name.lower()} {subject_id}")
        place = ""
        if limit.detail is not None and finding.detail is not None:
            place = self.place_names.get((limit.detail, finding.detail), "")
        return {
            "id": finding.pk,
            "code": finding.code,
            "title": limit.title,
            "sentence": _capital(sentence_of(finding, name, place)),
            "severity": limit.severity.words,
            "subject": {"kind": SubjectKind(kind).name.lower(), "id": subject_id, "name": name},
            "place": place,
            "closet": where.closet_id,
            "zones": [
                {"id": zone.pk, "name": zone.name, "life_safety": zone.life_safety}
                for zone_id in where.zone_ids
                if (zone := self.zones.get(zone_id)) is not None
            ],
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

    def _where(self, finding: Finding) -> Whereabouts:
        return self.whereabouts.get(finding.subject, Whereabouts(None, ()))

    def _life_safety(self, where: Iterable[Whereabouts]) -> str:
        """The gravest of the zones concerned."""
        said = {self.zones[z].life_safety for w in where for z in w.zone_ids if z in self.zones}
        return next((word for word in ("yes", "unknown", "no") if word in said), "unknown")

    def _energised(
        self, step: Mapping[int, int]
    ) -> tuple[dict[int, list[str]], dict[int, set[float | None]]]:
        """By closet concerned, what is energised in it, and at which voltages lines start there."""
        sources: dict[int, list[str]] = {pk: [] for pk in self.closets}
        voltages: dict[int, set[float | None]] = {pk: set() for pk in self.closets}
        there = {"closet_id__in": self.closets, "end_step__isnull": True}
        for closet_id, name in (
            Supply.objects.filter(**there).order_by("name").values_list("closet_id", "name")
        ):
            sources[closet_id].append(f"supply {name}")
        facts = AmplifierFacts.objects.filter(amplifier__in=Amplifier.objects.filter(**there).values("pk"))
        last = {
            row.amplifier_id: row
            for row in facts.select_related("amplifier", "model").order_by("step")
            if row.step <= step[row.site_id]
        }
        for row in sorted(last.values(), key=lambda row: row.amplifier.name):
            closet_id = row.amplifier.closet_id
            sources[closet_id].append(f"amplifier {row.amplifier.name}")
            # no line voltage is how a low-impedance amplifier is recorded
            if row.line_voltage_v is not None or row.model is None:
                voltages[closet_id].add(row.line_voltage_v)
        return sources, voltages

    def _cautions(
        self, site_id: int, findings: Iterable[Finding], where: Iterable[Whereabouts]
    ) -> list[dict[str, str]]:
        """Those of the limits and of the places: each where it matters, with why."""
        where = list(where)
        closets = [self.closets[k] for k in dict.fromkeys(w.closet_id for w in where) if k in self.closets]
        site = self.sites[site_id]
        here = Surroundings(
            life_safety=frozenset(
                self.zones[z].life_safety for w in where for z in w.zone_ids if z in self.zones
            ),
            line_voltages_v=frozenset(v for c in closets for v in self.line_voltages[c.pk]),
            sources=tuple(name for c in closets for name in self.sources[c.pk]),
            ladder_m=max((c.ladder_m for c in closets if c.ladder_m is not None), default=None),
            dangers=(site.dangers, *(c.dangers for c in closets)),
            texts=(
                site.permits,
                *(text for c in closets for text in (c.name, c.room, c.directions, c.permits)),
            ),
            limits=frozenset(caution for f in findings for caution in limit_by_code(f.code).cautions),
        )
        return [{"code": str(c.caution), "text": c.text, "why": c.why} for c in cautions_of(here)]


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
