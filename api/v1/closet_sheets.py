"""The sheet of a closet: the answer of ``GET /closets/{id}/sheet``."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from api.conventions import fields
from api.conventions.serializers import Body, Query
from zones.electrical.subjects import SubjectKind
from zones.loads.wording import RenderedLoad
from zones.models import Finding, Landing, Zone
from zones.visits.closet_sheet import ClosetSheet, FindingHere, ZoneHere

from . import figures
from .attributions import AttributionShown
from .dated import as_of_field


class SheetQuery(Query):
    as_of = as_of_field()


class NamedShown(Body):
    id = fields.Id()
    name = fields.Text()


class SiteNamedShown(NamedShown):
    code = fields.Text()


# --- before one goes ----------------------------------------------------------------------------------------


class ZoneNamedShown(NamedShown):
    life_safety = fields.Choice(choices=Zone.LifeSafety.choices)


class LifeSafetyShown(Body):
    """Whether a zone that is fed from here serves life safety: read this first."""

    answer = fields.Choice(choices=Zone.LifeSafety.choices, help_text="The gravest of the zones here.")
    sentence = fields.Text()
    zones = ZoneNamedShown(many=True, help_text="Those that do, then those of which nobody has said.")


class ContactHereShown(Body):
    id = fields.Id()
    name = fields.Text()
    phone = fields.Text(allow_blank=True)
    email = fields.Text(allow_blank=True)
    hours = fields.Text(allow_blank=True)
    of_closet = fields.Flag(help_text="Of this closet, rather than of the whole site.")
    note = fields.Text(allow_blank=True)


class ContactsByRoleShown(Body):
    """By role; those of the closet before those of the site."""

    site = ContactHereShown(many=True)
    out_of_hours = ContactHereShown(many=True)
    network = ContactHereShown(many=True)
    key_holder = ContactHereShown(many=True)


class CodesShown(Body):
    """How many door and alarm codes are kept, never what they are."""

    door = fields.Whole()
    alarm = fields.Whole()
    other = fields.Whole()
    sentence = fields.Text(help_text="That they exist, and how they are asked for.")


def _texts(says: str = "") -> serializers.ListField:
    return serializers.ListField(child=fields.Text(), help_text=says)


class ReachShown(Body):
    """How to get there and in. Where the site and the closet both say something, the site's comes first."""

    address = fields.Text(allow_blank=True)
    building = fields.Text(allow_blank=True)
    floor = fields.Text(allow_blank=True)
    room = fields.Text(allow_blank=True)
    directions = fields.Text(allow_blank=True)
    opened_by = fields.Text(allow_blank=True)
    opening_hours = fields.Text(allow_blank=True)
    key_location = fields.Text(allow_blank=True)
    codes = CodesShown()
    escort = fields.Text(allow_blank=True)
    induction = _texts()
    permits = _texts()
    protective_equipment = fields.Text(allow_blank=True)
    other_tenants = fields.Text(allow_blank=True, help_text="Other people's equipment on the same wall.")
    dangers = _texts()
    ladder_m = fields.Number(allow_null=True, help_text="Working height that needs a ladder [m].")
    out_of_hours_phone = fields.Text(allow_blank=True)
    contacts = ContactsByRoleShown()
    note = _texts()


class ContractHereShown(Body):
    """Under which contract one goes; where none covers the day, the one that last did, or next will."""

    covered = fields.Flag()
    contract_id = fields.Id(source="contract.pk", allow_null=True)
    reference = fields.Text(source="contract.reference", allow_null=True)
    response_hours = fields.Whole(source="contract.response_hours", allow_null=True)
    first_day = fields.Day(allow_null=True)
    end_day = fields.Day(allow_null=True, help_text="The first day not covered any more.")
    sentence = fields.Text()


# --- what stands there --------------------------------------------------------------------------------------


class PortHereShown(Body):
    id = fields.Id()
    number = fields.Whole()
    endpoint_id = fields.Id()
    endpoint = fields.Text()


class SwitchHereShown(NamedShown):
    owner = fields.Text(help_text="Whose it is, and whether it may be touched.")
    touch = fields.Flag(help_text="Whether it may be touched: it is the integrator's.")
    model = fields.Text(allow_blank=True, help_text="Blank: not recorded.")
    serial = fields.Text(allow_blank=True)
    power_supplies = fields.Whole(allow_null=True)
    ports = PortHereShown(many=True, help_text="The ports that our devices hang on.")
    note = fields.Text(allow_blank=True)


class EndpointHereShown(NamedShown):
    kind = fields.Text(allow_blank=True)
    model = fields.Text(allow_blank=True)
    address = fields.Text(allow_blank=True)
    vlan = fields.Whole(allow_null=True)
    multicast_group = fields.Text(allow_blank=True)
    page_code = fields.Text(allow_blank=True)
    mac = fields.Text(allow_blank=True)
    serial = fields.Text(allow_blank=True)
    firmware = fields.Text(allow_blank=True)
    configuration_backup = fields.Text(allow_blank=True)
    warranty_end = fields.Day(allow_null=True)
    powered_by = fields.Text()
    outputs = serializers.ListField(child=fields.Whole())
    note = fields.Text(allow_blank=True)


class SupplyHereShown(NamedShown):
    model = fields.Text(allow_blank=True)
    rated_current_a = fields.Number(allow_null=True)
    outlet = fields.Text(allow_blank=True)
    breaker = fields.Text(allow_blank=True)
    ups = fields.Text(allow_blank=True)
    battery_installed_on = fields.Day(allow_null=True)
    note = fields.Text(allow_blank=True)


class AmplifierHereShown(NamedShown):
    model = fields.Text(allow_blank=True)
    rated_power_w = fields.Number(allow_null=True)
    line = fields.Text(help_text="What it drives, in words.")
    line_voltage_v = fields.Number(allow_null=True)
    outlet = fields.Text(allow_blank=True)
    breaker = fields.Text(allow_blank=True)
    note = fields.Text(allow_blank=True)


class ConductorShown(Body):
    landing_id = fields.Id()
    side = fields.Choice(choices=Landing.Side.choices)
    pair = fields.Whole()
    colour = fields.Text(help_text="The conductor's own colour, then its band's.")
    carries = fields.Text(help_text="In words.")
    of = fields.Text(help_text="What it belongs to, as in `run R1`.")
    run_id = fields.Id(allow_null=True)
    zone_id = fields.Id(allow_null=True)
    zone = fields.Text(allow_blank=True)


class RowShown(Body):
    number = fields.Whole()
    clip = fields.Choice(
        choices=["in", "out", ""], help_text="Blank: nothing on this block can be pulled or lifted."
    )
    conductors = ConductorShown(many=True)
    remark = fields.Text(allow_blank=True, help_text="What is wrong with the row.")


class BlockHereShown(NamedShown):
    """A block, with the rows that something lies on or whose clip is out."""

    kind = fields.Text()
    row_count = fields.Whole()
    rows = RowShown(many=True)
    note = fields.Text(allow_blank=True)


class ClipsShown(Body):
    block_id = fields.Id()
    block = fields.Text()
    closet = fields.Text()
    elsewhere = fields.Flag(help_text="In another closet than this.")
    to_pull = serializers.ListField(child=fields.Whole(), help_text="Rows whose clip is in.")
    out = serializers.ListField(child=fields.Whole(), help_text="Rows whose clip is out already.")
    to_lift = serializers.ListField(
        child=fields.Whole(), help_text="Rows whose wires must come off, since nothing can be pulled."
    )


class IsolationShown(Body):
    """How to part a run from what feeds it."""

    sentence = fields.Text()
    complete = fields.Flag(
        help_text="Whether the clips named part it from all that feeds it, as far as is recorded."
    )
    clips = ClipsShown(many=True)


class RunHereShown(NamedShown):
    """A run that leaves this closet or lies on a block here."""

    kind = fields.Text()
    zone_id = fields.Id(allow_null=True)
    zone = fields.Text(allow_blank=True)
    block = fields.Text()
    fed_by = fields.Text(allow_blank=True, help_text="Blank: not recorded.")
    isolation = IsolationShown()
    note = fields.Text(allow_blank=True)


# --- what it carries, and what is wrong with it -------------------------------------------------------------


class LoadHereShown(Body):
    """One figure of a zone, in short; `GET /zones/{id}/load` has all of it."""

    code = fields.Choice(choices=figures.CODES)
    title = fields.Text()
    subject = figures.SubjectShown()
    sentence = fields.Text()
    verdict = fields.Choice(choices=figures.VERDICTS, help_text=figures.VERDICT_HELP)
    unit = fields.Text(allow_blank=True)
    likely = fields.Number(allow_null=True)
    limit = fields.Number(allow_null=True)
    headroom_likely = fields.Number(allow_null=True)
    headroom = fields.Text(allow_blank=True, help_text="In words; blank: not known.")


class ZoneHereShown(ZoneNamedShown):
    """A zone that is fed from here, wholly or in part."""

    page_code = fields.Text(allow_blank=True)
    groups = _texts()
    priority = fields.Whole(allow_null=True)
    verdict = fields.Choice(choices=figures.VERDICTS)
    summary = fields.Text(help_text="Its loads in a sentence or two.")
    tightest = LoadHereShown(allow_null=True, help_text="The figure of least headroom.")
    loads = LoadHereShown(many=True)


class FindingHereShown(Body):
    id = fields.Id()
    case_id = fields.Id()
    code = fields.Choice(choices=figures.CODES)
    title = fields.Text()
    subject = figures.SubjectShown()
    place = figures.PlaceShown(allow_null=True)
    elsewhere = fields.Flag(
        help_text="What it is about stands in another closet; a zone that is fed from here hangs on it."
    )
    closet_id = fields.Id(allow_null=True)
    sentence = fields.Text()
    severity = fields.Choice(choices=figures.SEVERITIES)
    verdict = fields.Choice(choices=figures.VERDICTS)
    state = fields.Choice(choices=Finding.State.choices)
    deferred_until = fields.Day(allow_null=True)
    opened_at = fields.Instant()
    attribution = AttributionShown()


class CaseHereShown(Body):
    id = fields.Id()
    key = fields.Text()
    ticket_reference = fields.Text(allow_blank=True)
    opened_at = fields.Instant()
    finding_ids = serializers.ListField(child=fields.Id())


class RecentChangeShown(Body):
    id = fields.Id()
    happened_on = fields.Day()
    recorded_at = fields.Instant()
    kind = fields.Text()
    actor = fields.Text()
    reason = fields.Text()
    job_reference = fields.Text(allow_blank=True)
    what = _texts("What was done; empty where rows were written otherwise, as by an import.")


class ClosetSheetShown(Body):
    """What a dispatcher reads before a visit: life safety first, then what may hurt, then how to get there;
    what stands there, what it carries, what is wrong with it, and what nobody knows. Never a code."""

    closet = NamedShown()
    site = SiteNamedShown()
    customer = SiteNamedShown()
    as_of = fields.Day()
    life_safety = LifeSafetyShown()
    cautions = figures.CautionShown(many=True, help_text="Those that matter here, the gravest first.")
    summary = fields.Text(help_text="The sheet in a few sentences.")
    reach = ReachShown()
    contract = ContractHereShown()
    switches = SwitchHereShown(many=True)
    endpoints = EndpointHereShown(many=True)
    supplies = SupplyHereShown(many=True)
    amplifiers = AmplifierHereShown(many=True)
    blocks = BlockHereShown(many=True)
    runs = RunHereShown(many=True)
    zones = ZoneHereShown(many=True, help_text="Life safety first, then the worst verdict.")
    findings = FindingHereShown(many=True, help_text="Open at the end of the day, the gravest first.")
    cases = CaseHereShown(many=True)
    unknown = _texts("What is not known that one should know before going.")
    changes = RecentChangeShown(many=True, help_text="The last few that touched something here.")


def closet_sheet_shown(sheet: ClosetSheet) -> dict[str, Any]:
    site = sheet.closet.site
    cases = {one.finding.case_id: one.finding.case for one in sheet.findings}
    return ClosetSheetShown(
        {
            "closet": sheet.closet,
            "site": site,
            "customer": site.customer,
            "as_of": sheet.as_of,
            "life_safety": sheet.life_safety,
            "cautions": figures.cautions(sheet.cautions),
            "summary": sheet.summary,
            "reach": sheet.reach,
            "contract": sheet.cover,
            "switches": sheet.equipment.switches,
            "endpoints": sheet.equipment.endpoints,
            "supplies": sheet.equipment.supplies,
            "amplifiers": sheet.equipment.amplifiers,
            "blocks": sheet.wiring.blocks,
            "runs": sheet.wiring.runs,
            "zones": [_zone(one) for one in sheet.zones],
            "findings": [_finding(one) for one in sheet.findings],
            "cases": [
                {
                    "id": case.pk,
                    "key": case.key,
                    "ticket_reference": case.ticket_reference,
                    "opened_at": case.opened_at,
                    "finding_ids": [
                        one.finding.pk for one in sheet.findings if one.finding.case_id == case.pk
                    ],
                }
                for case in cases.values()
            ],
            "unknown": sheet.unknown,
            "changes": sheet.changes,
        }
    ).data


def _zone(here: ZoneHere) -> dict[str, Any]:
    zone, load = here.zone, here.load
    return {
        "id": zone.pk,
        "name": zone.name,
        "life_safety": zone.life_safety,
        "page_code": zone.page_code,
        "groups": zone.groups,
        "priority": zone.priority,
        "verdict": load.verdict.name.lower(),
        "summary": load.summary,
        "tightest": None if load.tightest is None else _load(load.tightest),
        "loads": [_load(one) for one in load.figures],
    }


def _load(one: RenderedLoad) -> dict[str, Any]:
    return {
        "code": one.limit.code,
        "title": one.limit.title,
        "subject": figures.subject(one.load.subject, one.subject),
        "sentence": one.sentence,
        "verdict": one.load.verdict.name.lower(),
        "unit": one.limit.unit,
        "likely": figures.rounded(one.load.likely),
        "limit": figures.rounded(one.load.limit),
        "headroom_likely": figures.rounded(one.load.headroom_likely),
        "headroom": one.headroom_words,
    }


def _finding(here: FindingHere) -> dict[str, Any]:
    finding, words = here.finding, here.words
    kind = SubjectKind(finding.subject_kind)
    return {
        "id": finding.pk,
        "case_id": finding.case_id,
        "code": finding.code,
        "title": words.title,
        "subject": figures.subject((kind, finding.subject_id), words.subject),
        "place": figures.place(words.limit, finding.detail, words.place),
        "elsewhere": here.elsewhere,
        "closet_id": words.closet_id,
        "sentence": words.sentence,
        "severity": words.limit.severity.name.lower(),
        "verdict": finding.verdict_word,
        "state": finding.state,
        "deferred_until": finding.deferred_until,
        "opened_at": finding.opened_at,
        "attribution": words.attribution,
    }
