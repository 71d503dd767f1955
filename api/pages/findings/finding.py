"""A finding: who must do what, because of which change; and what people do about it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Final

from django.http import HttpRequest

from api.conventions.serializers import longest
from api.pages.addresses import calculation_of, page_of
from api.pages.answers import answer_of, versioned
from api.pages.form_page import Act, FormPage, choice_field, day_field, text_field
from api.pages.templatetags.marks import day
from sites.access.abilities import Ability
from zones.electrical.verdicts import Verdict
from zones.limits.limit import Limit
from zones.limits.registry import limit_by_code
from zones.models import Finding

from .named_changes import named_changes, since
from .to_do import to_do

State = Finding.State
LONGEST: Final = longest(Finding, "state_reason")


class Acknowledge(Act):
    name, title, button = "acknowledge", "Acknowledge: somebody deals with it", "Acknowledge"
    fixed: ClassVar[Mapping[str, Any]] = {"state": State.ACKNOWLEDGED.value}
    state_reason = text_field("Remark", "Who deals with it, and how. May stay blank.", longest=LONGEST)


class Defer(Act):
    name, title, button = "defer", "Defer until a day", "Defer"
    fixed: ClassVar[Mapping[str, Any]] = {"state": State.DEFERRED.value}
    deferred_until = day_field("Until", "On this day, at the site, it is open again by itself.", needed=True)
    state_reason = text_field("Why", longest=LONGEST, needed=True)


class TakeBack(Act):
    name, title, button = "take-back", "Take back: it is open again", "Take back"
    fixed: ClassVar[Mapping[str, Any]] = {"state": State.OPEN.value}
    state_reason = text_field("Remark", "May stay blank.", longest=LONGEST)


class SetOutcome(Act):
    name, title, button = "outcome", "Record the outcome", "Set the outcome"
    outcome = choice_field(
        "Outcome",
        [(value, label) for value, label in Finding.Outcome.choices if value],
        needed=True,
    )
    state_reason = text_field("Remark", "May stay blank.", longest=LONGEST)


FITTING: Final[Mapping[str, tuple[type[Act], ...]]] = {
    State.OPEN: (Acknowledge, Defer, SetOutcome),
    State.ACKNOWLEDGED: (Defer, TakeBack, SetOutcome),
    State.DEFERRED: (Acknowledge, Defer, TakeBack, SetOutcome),
    State.CLEARED: (SetOutcome,),
}
"""By state: the acts that fit it."""


class FindingPage(FormPage):
    template_name = "pages/finding.html"
    shows = Finding
    writes = Ability.WRITE_FINDINGS
    acts = (Acknowledge, Defer, TakeBack, SetOutcome)
    done = "state"
    watched = ("state", "deferred_until", "outcome", "state_reason", "state_by", "likely", "verdict")

    def resource(self, **kwargs: Any) -> str:
        return f"findings/{kwargs['id']}"

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        found = versioned(request, self.resource(**kwargs))
        finding = found.data
        site = answer_of(request, f"sites/{finding['site_id']}")
        case = answer_of(request, f"cases/{finding['case_id']}")
        limit = _limit(finding).shown_in(site["length_unit"])
        subject = finding["subject"]
        return {
            "finding": finding,
            "site": site,
            "case": case,
            "subject": subject,
            "calculation": calculation_of(finding["code"], subject["kind"], subject["id"]),
            "is_past": Verdict[finding["verdict"].upper()] >= Verdict.PROBABLY_PAST,
            "since": since(finding["attribution"]),
            "changes": named_changes(finding["attribution"], limit),
            "zones": zones_of(finding),
            "state": _state(finding),
            "outcome": Finding.Outcome(finding["outcome"]).label,
            "to_do": to_do(case, site, finding["closet_id"]),
            **self.form_parts(found),
        }

    def acts_now(self, thing: Any) -> list[Act]:
        return [act() for act in FITTING[thing["state"]]]

    def meanwhile(self, seen: Mapping[str, Any], thing: Any) -> list[str]:
        said = []
        differs = {name for name in self.watched if name in seen and seen[name] != thing[name]}
        if differs & {"state", "deferred_until", "outcome", "state_reason", "state_by"}:
            why = f" (“{thing['state_reason']}”)" if thing["state_reason"] else ""
            by = f" by {thing['state_by']}" if thing["state_by"] else ""
            outcome = f", outcome {Finding.Outcome(thing['outcome']).label}" if thing["outcome"] else ""
            said.append(f"It is {_state(thing)}{outcome} now{by}{why}.")
        if differs & {"likely", "verdict"}:
            said.append(f"The record changed: {thing['sentence']}")
        return said


def zones_of(thing: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The zones on which a finding or a case bears, each with where its history is."""
    return [{**zone, "history": page_of("zone-history", zone["id"])} for zone in thing["zones"]]


def _limit(finding: Mapping[str, Any]) -> Limit:
    return limit_by_code(finding["code"])


def _state(finding: Mapping[str, Any]) -> str:
    label: str = State(finding["state"]).label
    return f"{label} until {day(finding['deferred_until'])}" if finding["deferred_until"] else label
