"""What the events of each kind hold, as JSON Schema: the `data` of a CloudEvent. Real events are held to it
by tests/api/events/test_bodies.py."""

from __future__ import annotations

from typing import Any, Final

from sites.models import Contact, Contract
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.findings.event_kinds import EventKind
from zones.limits.cautions import Caution
from zones.models import Finding, Zone
from zones.models.test_kinds import TestKind, TestSignal, TestState

Schema = dict[str, Any]


_TELEPHONES: Final = ("out_of_hours_phone", "phone")
"""Left out where telephone numbers are not asked for."""


def _object(description: str = "", **properties: Schema) -> Schema:
    """All of its properties are there, and no others."""
    said = {"description": description} if description else {}
    return {
        "type": "object",
        **said,
        "properties": properties,
        "required": [name for name in properties if name not in _TELEPHONES],
        "additionalProperties": False,
    }


def _text(description: str = "") -> Schema:
    return {"type": "string", **({"description": description} if description else {})}


def _words(*words: str) -> Schema:
    return {"type": "string", "enum": sorted(words)}


def _or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def _list(items: Schema, description: str = "") -> Schema:
    return {"type": "array", "items": items, **({"description": description} if description else {})}


_ID: Final[Schema] = {"type": "integer", "format": "int64"}
_NUMBER: Final[Schema] = {"type": "number"}
_WHOLE: Final[Schema] = {"type": "integer"}
_FLAG: Final[Schema] = {"type": "boolean"}
_DAY: Final[Schema] = {"type": "string", "format": "date"}
_TIME: Final[Schema] = {"type": "string", "format": "date-time"}
_VERDICT: Final = _words(*(one.name.lower() for one in Verdict))
_LIFE_SAFETY: Final = _words(*Zone.LifeSafety.values)
_LINK: Final = _text("Where it is in this API.")
_WHO: Final = {"id": _ID, "code": _text(), "name": _text()}

CUSTOMER: Final = _object("Whose site it is.", **_WHO)
ZONE: Final = _object("", id=_ID, name=_text(), life_safety=_LIFE_SAFETY)
CONTRACT: Final = _or_null(
    _object(
        "The contract that covers the site on the day; null: none does.",
        id=_ID,
        reference=_text(),
        response_hours=_or_null(_WHOLE),
        cover_hours=_or_null(_words(*Contract.CoverHours.values)),
        working_days=_or_null(_list(_WHOLE)),
        working_from=_or_null(_text()),
        working_until=_or_null(_text()),
        holidays=_or_null(_list(_DAY)),
    )
)
CHANGE_SET: Final = {
    "id": _ID,
    "kind": _text(),
    "purpose": _text(),
    "channel": _text(),
    "actor": _text("Who recorded it."),
    "done_by": _text("Who did the work; blank: who recorded it."),
    "reason": _text(),
    "job_reference": _text(),
    "happened_on": _DAY,
    "recorded_at": _TIME,
}
_SITE: Final = _object(
    "Where it is, and how to get in.",
    **_WHO,
    address=_text(),
    city=_text(),
    postal_code=_text(),
    time_zone=_text(),
    out_of_hours_phone=_text("Only where telephone numbers are asked for."),
    induction=_text(),
    permits=_text(),
    dangers=_text(),
)
_CLOSET: Final = _object(
    "How to reach what is concerned. No event says where a key is.",
    id=_ID,
    name=_text(),
    **{
        name: _text()
        for name in (
            "building", "floor", "room", "directions", "opened_by", "opening_hours", "escort", "induction",
            "permits", "protective_equipment", "other_tenants", "dangers",
        )
    },
    ladder_m=_or_null(_NUMBER),
    key=_text("Whom to ask for it."),
)  # fmt: skip
_CONTACT: Final = _object(
    "",
    role=_words(*Contact.Role.values),
    name=_text(),
    phone=_text("Only where telephone numbers are asked for."),
    email=_text(),
    hours=_text(),
    closet=_or_null(_ID),
)
_CAUTION: Final = _object("", code=_words(*Caution), text=_text(), why=_text())
_ATTRIBUTION: Final[Schema] = {"$ref": "#/components/schemas/Attribution"}
FINDING: Final = _object(
    "A figure and its limit, and the change that crossed it.",
    id=_ID,
    code=_text("Which limit: GET /api/v1/findings lists them."),
    state=_words(*Finding.State.values),
    deferred_until=_or_null(_DAY),
    outcome=_text(),
    opened_at=_TIME,
    cleared_at=_or_null(_TIME),
    title=_text(),
    sentence=_text(),
    severity=_text(),
    subject=_object(
        "What the figure is of.",
        kind=_words(*(one.name.lower() for one in SubjectKind)),
        id=_ID,
        name=_text(),
    ),
    low_place=_text(),
    place=_text(),
    high_place=_text(),
    closet=_or_null(_ID),
    zones=_list(ZONE),
    verdict=_VERDICT,
    figure=_object("By estimate.", low=_or_null(_NUMBER), likely=_or_null(_NUMBER), high=_or_null(_NUMBER)),
    low_limit=_or_null(_NUMBER),
    limit=_or_null(_NUMBER),
    high_limit=_or_null(_NUMBER),
    overloaded=_list(_text(), "Estimates without a stable voltage."),
    bounds=_list(_text(), "Estimates that are bounds."),
    unit=_text(),
    at_least=_FLAG,
    reason=_text(),
    attribution=_ATTRIBUTION,
)
_CLEARED_BY: Final = _object(
    "", id=_ID, happened_on=_DAY, actor=_text(), done_by=_text(), job_reference=_text(), reason=_text()
)
CASE: Final = _object(
    "One cause, so one ticket.",
    id=_ID,
    key=_text("The `casekey` of its events."),
    opened_at=_TIME,
    first_opened_at=_or_null(_TIME),
    cleared_at=_or_null(_TIME),
    ticket_reference=_text(),
    title=_text("Fits in 80 characters."),
    severity=_text(),
    severity_words=_text(),
    verdict=_or_null(_VERDICT),
    respond_by=_or_null(_TIME),
    response=_text("That in a sentence."),
    reopened_at=_or_null(_TIME),
    cleared_by=_list(_CLEARED_BY),
    closing_text=_text("Blank while it is open."),
    change_set=_or_null(_ID),
)
_CHANGE: Final[Schema] = {
    "type": "object",
    "description": "What is new: a finding joined, got worse or better, or left; or who acknowledged it.",
    "properties": {
        "what": _text(),
        "finding": _ID,
        "verdict_before": _VERDICT,
        "moved_to": _or_null(_text("Key of the case that it moved to.")),
        "by": _text(),
        "reason": _text(),
    },
    "required": ["what", "finding"],
    "additionalProperties": False,
}
_CONCERNED: Final = {
    "customer": CUSTOMER,
    "site": _SITE,
    "closets": _list(_CLOSET),
    "contacts": _list(_CONTACT),
    "contract": CONTRACT,
    "life_safety": _LIFE_SAFETY,
    "life_safety_zones": _list(ZONE),
    "cautions": _list(_CAUTION),
}
_BY_CASE: Final = {
    "counts": {"type": "object", "description": "Findings by verdict.", "additionalProperties": _WHOLE},
    "cases": _list(
        _object("", id=_ID, key=_text(), site=_ID, findings=_list(FINDING), link=_LINK),
    ),
}
_OF_A_CASE: Final = _object(
    "A case, with all that a dispatcher needs.",
    **_CONCERNED,
    case=CASE,
    changes=_list(_CHANGE),
    findings=_list(FINDING, "Those that are open, then those that have just left."),
    link=_LINK,
)
_OF_A_CHANGE_SET: Final = {
    "customer": CUSTOMER,
    "site": _object("", **_WHO, time_zone=_text()),
    "contract": CONTRACT,
    "change_set": _object("", **CHANGE_SET, operations=_WHOLE),
    "link": _LINK,
}

_NAMED: Final = _or_null(_object("", id=_ID, name=_text()))
_TEST: Final = _object(
    "As `GET /api/v1/tests` has it, with what it was taken at by name.",
    id=_ID, kind=_words(*TestKind.values), state=_or_null(_words(*TestState.values)),
    signal=_words(*TestSignal.values), value=_or_null(_NUMBER), unit=_or_null(_text()),
    passed=_or_null(_FLAG), taken_on=_DAY, taken_at=_text(), taken_as=_or_null(_text()), technician=_text(),
    instrument=_text(), calibration_lapsed=_or_null(_FLAG), note=_text(), run=_NAMED, point=_NAMED,
    zone=_NAMED, switch=_NAMED, power_group=_or_null(_WHOLE),
)  # fmt: skip

DATA: Final[dict[EventKind, Schema]] = {
    EventKind.CASE_OPENED: _OF_A_CASE,
    EventKind.CASE_CHANGED: _OF_A_CASE,
    EventKind.CASE_ACKNOWLEDGED: _OF_A_CASE,
    EventKind.CASE_CLEARED: _OF_A_CASE,
    EventKind.SITE_TAKEN_OVER: _object(
        "The one summary of a first import.", **_CONCERNED, **_BY_CASE, link=_LINK
    ),
    EventKind.CHANGE_SET_ACCEPTED: _object("Who did what, when and why.", **_OF_A_CHANGE_SET),
    EventKind.CHANGE_SET_WITHDRAWN: _object(
        "A change set that was recorded by mistake and withdrawn.",
        **_OF_A_CHANGE_SET,
        withdrawal=_object("", actor=_text(), reason=_text()),
    ),
    EventKind.CATALOGUE_CORRECTED: _object(
        "What an edit of the catalogue brought to light at the sites of a customer.",
        customer=CUSTOMER,
        sites=_list(_object("", **_WHO)),
        change_set=_object("", **CHANGE_SET),
        **_BY_CASE,
        link=_LINK,
    ),
    EventKind.TEST_OUTSIDE: _object(
        "A test that failed, or read otherwise than the record says.",
        **_OF_A_CHANGE_SET,
        test=_TEST,
        verdict=_words("failed", "outside"),
        expected=_or_null(
            _object("What it should have read; null: it passes or fails by itself, or the run has no stable "
                "voltage on the record.",
                    low=_NUMBER, likely=_NUMBER, high=_NUMBER)
        ),
        error=_or_null(_NUMBER),
        outside_by=_or_null(_NUMBER),
        sentence=_text(),
    ),
}  # fmt: skip
"""By kind of event."""

SAID: Final[dict[EventKind, str]] = {
    EventKind.CASE_OPENED: "A case was opened",
    EventKind.CASE_CHANGED: "A case changed: a finding joined or left it, got worse or better",
    EventKind.CASE_ACKNOWLEDGED: "A finding was acknowledged, deferred, taken back or given its outcome",
    EventKind.CASE_CLEARED: "A case was cleared",
    EventKind.SITE_TAKEN_OVER: "A site was taken over, and this was found",
    EventKind.CHANGE_SET_ACCEPTED: "A change set became the record",
    EventKind.CHANGE_SET_WITHDRAWN: "A change set was withdrawn",
    EventKind.CATALOGUE_CORRECTED: "An edit of the catalogue brought something to light",
    EventKind.TEST_OUTSIDE: "A test failed, or read otherwise than the record says",
}
"""A sentence for each kind."""
