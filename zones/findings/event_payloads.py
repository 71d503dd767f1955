"""Bodies of events: everything that a dispatcher needs without a second call, and never a secret.

A body says what was so when it was written: it keeps its sentences. What it is made of is read at once, in a
constant number of queries for any number of cases.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import asdict
from typing import Any, Final

from sites.models import Contract, Customer, Site
from sites.models.changes import ChangeSet
from zones.electrical.estimates import LIMITS, WORDS
from zones.electrical.subjects import SubjectKind
from zones.models import Case, Finding

from .annotate import Annotated
from .cases import CasesInWords, fields_of
from .named_changes import rounded

_CHANGE_SET: Final = (
    "id", "kind", "purpose", "channel", "actor", "done_by", "reason", "job_reference", "happened_on",
    "recorded_at",
)  # fmt: skip
_CASE: Final = ("id", "key", "opened_at", "first_opened_at", "cleared_at", "ticket_reference")
_FINDING: Final = ("id", "code", "state", "deferred_until", "outcome", "opened_at", "cleared_at")
CONTRACT: Final = (
    "id", "reference", "response_hours", "cover_hours", "working_days", "working_from", "working_until",
    "holidays",
)  # fmt: skip
CLEARED_BY: Final = ("id", "happened_on", "actor", "done_by", "job_reference", "reason")
_SITE: Final = (
    "id", "code", "name", "address", "city", "postal_code", "time_zone", "out_of_hours_phone", "induction",
    "permits", "dangers",
)  # fmt: skip


class Payloads:
    """Bodies of events about some cases, with all that they name."""

    def __init__(
        self,
        site_ids: Iterable[int],
        findings: Iterable[Finding],
        *,
        contracts: Mapping[int, Contract],
        before: Mapping[int, int],
    ) -> None:
        """findings: all that the events are about. before: by site, the step before which lies all that
        holds."""
        findings = list(findings)
        self.contracts = contracts
        self.sites = Site.objects.select_related("customer").in_bulk(set(site_ids))
        for finding in findings:
            finding.site = self.sites[finding.site_id]
        annotated = Annotated(findings, before)
        self.words = annotated.words
        self._annotated = annotated
        self._cases = CasesInWords(self.sites, annotated)

    def case(
        self, case: Case, findings: Iterable[Finding], entries: Iterable[Mapping[str, Any]] = ()
    ) -> dict[str, Any]:
        """One case: findings that are open, and those that have just left it."""
        findings = list(findings)
        return {
            **self._concerned(case.site_id, findings),
            "case": {
                **fields_of(case, _CASE),
                **self._in_words(case, findings),
                "change_set": case.change_set_id,
            },
            "changes": list(entries),
            "findings": [self._finding(f) for f in findings],
            "link": f"/api/v1/cases/{case.pk}",
        }

    def _in_words(self, case: Case, findings: list[Finding]) -> dict[str, Any]:
        case.site = self.sites[case.site_id]
        said = self._cases.of(case, findings)
        due = said.response.respond_by
        return {
            "title": said.title,
            "severity": said.severity.name.lower(),
            "severity_words": said.severity.words,
            "verdict": None if said.verdict is None else said.verdict.name.lower(),
            "respond_by": due,
            "response": said.response.sentence,
            "reopened_at": said.reopened_at,
            "cleared_by": [fields_of(info, CLEARED_BY) for info in said.cleared_by],
            "closing_text": said.closing_text,
        }

    def catalogue(
        self, customer: Customer, change_set: ChangeSet, cases: Mapping[Case, list[Finding]]
    ) -> dict[str, Any]:
        """What an edit of the catalogue brought to light at the sites of a customer."""
        sites = {case.site_id: self.sites[case.site_id] for case in cases}
        return {
            "customer": fields_of(customer, ("id", "code", "name")),
            "sites": [fields_of(site, ("id", "code", "name")) for site in sites.values()],
            "change_set": fields_of(change_set, _CHANGE_SET),
            **self._by_case(cases),
            "link": f"/api/v1/change-sets/{change_set.pk}",
        }

    def takeover(self, site_id: int, cases: Mapping[Case, list[Finding]]) -> dict[str, Any]:
        """The one summary of a site's first import."""
        findings = [f for of_case in cases.values() for f in of_case]
        return {
            **self._concerned(site_id, findings),
            **self._by_case(cases),
            "link": f"/api/v1/sites/{site_id}",
        }

    def _by_case(self, cases: Mapping[Case, list[Finding]]) -> dict[str, Any]:
        """The findings of several cases, and how many of each verdict there are."""
        verdicts = Counter(f.verdict_word for of_case in cases.values() for f in of_case)
        return {
            "counts": dict(sorted(verdicts.items())),
            "cases": [
                {
                    "id": case.pk,
                    "key": case.key,
                    "site": case.site_id,
                    "findings": [self._finding(f) for f in of_case],
                    "link": f"/api/v1/cases/{case.pk}",
                }
                for case, of_case in cases.items()
            ],
        }

    def _concerned(self, site_id: int, findings: Collection[Finding]) -> dict[str, Any]:
        """Owner and place of the site, whom to call, how to get there, and the cautions."""
        site = self.sites[site_id]
        found = self._cases.surroundings.concerned(site, findings, self._annotated)
        return {
            "customer": fields_of(site.customer, ("id", "code", "name")),
            "site": fields_of(site, _SITE),
            "closets": list(found.closets),
            "contacts": list(found.contacts),
            "contract": contract_body(self.contracts.get(site_id)),
            "life_safety": found.life_safety,
            "life_safety_zones": [asdict(zone) for zone in found.zones],
            "cautions": [{"code": str(c.caution), "text": c.text, "why": c.why} for c in found.cautions],
        }

    def _finding(self, finding: Finding) -> dict[str, Any]:
        """One finding: subject, figure, limit, verdict, and the change that crossed it."""
        words = self.words[finding.pk]
        limit = words.limit
        kind, subject_id = finding.subject
        estimates = finding.estimates
        return {
            **fields_of(finding, _FINDING),
            "title": words.title,
            "sentence": words.sentence,
            "severity": limit.severity.words,
            "subject": {"kind": SubjectKind(kind).name.lower(), "id": subject_id, "name": words.subject},
            **dict(zip(("low_place", "place", "high_place"), words.places, strict=True)),
            "closet": words.closet_id,
            "zones": [asdict(zone) for zone in self._annotated.zones(finding)],
            "verdict": finding.verdict_word,
            "figure": {word: rounded(one.value) for word, one in zip(WORDS, estimates, strict=True)},
            **{name: rounded(one.limit) for name, one in zip(LIMITS, estimates, strict=True)},
            "overloaded": estimates.overloaded,
            "bounds": estimates.bounds,
            "unit": limit.unit,
            "at_least": limit.is_minimum,
            "reason": words.reason,
            "attribution": words.attribution,
        }


def contracts_on(days: Mapping[int, dt.date]) -> dict[int, Contract]:
    """By site, the contract that covers it on its day; sites without one are left out."""
    covering: Any = Contract.objects.raw(
        """SELECT contract.*, coverage.site_id AS covers
           FROM coverage JOIN unnest(%s::bigint[], %s::date[]) AS asked(site_id, day) USING (site_id)
               JOIN contract ON contract.id = coverage.contract_id
           WHERE days @> day""",
        [list(days), list(days.values())],
    )
    return {contract.covers: contract for contract in covering}


def contract_body(contract: Contract | None) -> dict[str, Any] | None:
    if contract is None:
        return None
    return fields_of(contract, CONTRACT)


def change_set_body(change_set: ChangeSet, site: Site, contract: Contract) -> dict[str, Any]:
    """An accepted change set: who did what, when and why; cases say what it led to."""
    return {
        "customer": fields_of(site.customer, ("id", "code", "name")),
        "site": fields_of(site, ("id", "code", "name", "time_zone")),
        "contract": contract_body(contract),
        "change_set": fields_of(change_set, _CHANGE_SET) | {"operations": len(change_set.operations)},
        "link": f"/api/v1/change-sets/{change_set.pk}",
    }
