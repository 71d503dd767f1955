"""The sheet of a closet: the answer of ``GET /closets/{id}/sheet``; and of it one block's part, which
``GET /blocks/{id}/rows`` answers without computing a load."""

from __future__ import annotations

from datetime import date
from typing import Any

from rest_framework import serializers

from api.conventions import fields
from api.conventions.answers import AnswerSerializer, shown_by
from api.conventions.bodies import Rendered
from api.conventions.sizes import WithLimitSerializer, within_limit
from sites.models import Block
from zones.loads.wording import RenderedLoad
from zones.models import Finding, Zone
from zones.sheets.closet_sheet import ClosetSheet, FindingHere, ZoneHere
from zones.sheets.equipment import AmplifierHere, EndpointHere, SupplyHere, SwitchHere
from zones.sheets.reaching import Reach
from zones.sheets.recent import RecentChange
from zones.sheets.wiring import BlockHere, RunHere, Wiring

from . import figures
from .attributions import AttributionSerializer
from .findings import ZoneSummarySerializer
from .visits_done import VisitDoneSerializer


class ClosetSummarySerializer(serializers.Serializer):
    id = fields.Id()
    name = fields.Text()


class SiteSummarySerializer(ClosetSummarySerializer):
    code = fields.Text()


# --- before a visit -----------------------------------------------------------------------------------------


class LifeSafetySerializer(serializers.Serializer):
    """Whether a zone that is fed from here serves life safety: read this first."""

    answer = fields.Choice(choices=Zone.LifeSafety.choices, help_text="The most severe of the zones here.")
    sentence = fields.Text()
    zones = ZoneSummarySerializer(many=True, help_text="Those that do, then those not recorded.")


class ContractSummarySerializer(serializers.Serializer):
    """The contract that covers the visit; where none does on the day, the last one before, or the next."""

    covered = fields.Flag()
    contract_id = fields.Id(source="contract.pk", allow_null=True)
    reference = fields.Text(source="contract.reference", allow_null=True)
    response_hours = fields.Whole(source="contract.response_hours", allow_null=True)
    first_day = fields.Day(allow_null=True)
    end_day = fields.Day(allow_null=True, help_text="The first day not covered any more.")
    sentence = fields.Text()


# --- what it carries, and what is wrong with it -------------------------------------------------------------


class FigureSummarySerializer(serializers.Serializer):
    """One figure of a zone, in short; `GET /zones/{id}/load` has all of it."""

    code = fields.Choice(choices=figures.CODES)
    title = fields.Text()
    subject = figures.SubjectSerializer()
    sentence = fields.Text()
    verdict = fields.Choice(choices=figures.VERDICTS, help_text=figures.VERDICT_HELP)
    unit = fields.Text(allow_blank=True)
    likely = fields.Number(allow_null=True)
    limit = fields.Number(allow_null=True)
    headroom_likely = fields.Number(allow_null=True)
    headroom = fields.Text(allow_blank=True, help_text="In words; blank: not known.")


class ZoneHereSerializer(ZoneSummarySerializer):
    """A zone that is fed from here, wholly or in part."""

    page_code = fields.Text(allow_blank=True)
    groups = serializers.ListField(child=fields.Text())
    priority = fields.Whole(allow_null=True)
    verdict = fields.Choice(choices=figures.VERDICTS)
    summary = fields.Text(help_text="Its loads in a sentence or two.")
    tightest = FigureSummarySerializer(allow_null=True, help_text="The figure of least headroom.")
    loads = FigureSummarySerializer(many=True)


class FindingSummarySerializer(serializers.Serializer):
    id = fields.Id()
    case_id = fields.Id()
    code = fields.Choice(choices=figures.CODES)
    title = fields.Text()
    subject = figures.SubjectSerializer()
    place = figures.PlaceSerializer(allow_null=True)
    elsewhere = fields.Flag(
        help_text="What it is about stands in another closet; a zone that is fed from here depends on it."
    )
    closet_id = fields.Id(allow_null=True)
    sentence = fields.Text()
    severity = fields.Choice(choices=figures.SEVERITIES)
    verdict = fields.Choice(choices=figures.VERDICTS)
    state = fields.Choice(choices=Finding.State.choices)
    deferred_until = fields.Day(allow_null=True)
    opened_at = fields.Instant()
    attribution = AttributionSerializer()


class CaseSummarySerializer(serializers.Serializer):
    id = fields.Id()
    key = fields.Text()
    ticket_reference = fields.Text(allow_blank=True)
    opened_at = fields.Instant()
    finding_ids = serializers.ListField(child=fields.Id())


class ClosetSheetSerializer(WithLimitSerializer):
    """What a dispatcher reads before a visit: life safety first, then the dangers, then how to get there;
    what stands there, what it carries, what is wrong with it, and what is not recorded. Never a code."""

    closet = ClosetSummarySerializer()
    site = SiteSummarySerializer(source="closet.site")
    customer = SiteSummarySerializer(source="closet.site.customer")
    as_of = fields.Day()
    life_safety = LifeSafetySerializer()
    cautions = figures.CautionSerializer(many=True, help_text="Those that matter here, the worst first.")
    summary = fields.Text(help_text="To be read aloud.")
    reach = AnswerSerializer(dataclass=Reach)
    contract = ContractSummarySerializer(source="cover")
    switches = AnswerSerializer(dataclass=SwitchHere, source="equipment.switches", many=True)
    endpoints = AnswerSerializer(dataclass=EndpointHere, source="equipment.endpoints", many=True)
    supplies = AnswerSerializer(dataclass=SupplyHere, source="equipment.supplies", many=True)
    amplifiers = AnswerSerializer(dataclass=AmplifierHere, source="equipment.amplifiers", many=True)
    blocks = AnswerSerializer(dataclass=BlockHere, source="wiring.blocks", many=True)
    runs = AnswerSerializer(dataclass=RunHere, source="wiring.runs", many=True)
    zones = ZoneHereSerializer(many=True, help_text="Life safety first, then the worst verdict.")
    findings = FindingSummarySerializer(many=True, help_text="Open at the end of the day, the worst first.")
    cases = CaseSummarySerializer(many=True)
    unknown = serializers.ListField(
        child=fields.Text(), help_text="What is not recorded and matters before a visit."
    )
    changes = AnswerSerializer(
        dataclass=RecentChange, many=True, help_text="The last few that touched something here."
    )
    visits = VisitDoneSerializer(many=True, help_text="The last few to this closet, the latest first.")


def closet_sheet_data(sheet: ClosetSheet) -> Rendered:
    cases = {one.finding.case_id: one.finding.case for one in sheet.findings}
    shown = shown_by(
        ClosetSheetSerializer,
        {
            "left_out": [],
            **vars(sheet),
            "cautions": figures.cautions(sheet.cautions),
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
        },
    )
    return within_limit(shown)


class BlockRowsSerializer(WithLimitSerializer):
    """One block as its strip runs, and how to disconnect each run on it."""

    site = SiteSummarySerializer()
    closet = ClosetSummarySerializer()
    as_of = fields.Day()
    block = AnswerSerializer(dataclass=BlockHere)
    runs = AnswerSerializer(dataclass=RunHere, many=True)


def block_rows_data(block: Block, wiring: Wiring, as_of: date) -> Rendered:
    """wiring: of this block alone."""
    shown = {
        "site": block.site,
        "closet": block.closet,
        "as_of": as_of,
        "block": wiring.blocks[0],
        "runs": wiring.runs,
        "left_out": [],
    }
    return within_limit(shown_by(BlockRowsSerializer, shown))


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
    return {**figures.figure(one), "headroom": one.headroom_words}


def _finding(here: FindingHere) -> dict[str, Any]:
    finding, words = here.finding, here.words
    return {
        "id": finding.pk,
        "case_id": finding.case_id,
        "code": finding.code,
        "title": words.title,
        "subject": figures.subject(finding.subject, words.subject),
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
