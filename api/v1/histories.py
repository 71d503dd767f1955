"""How what a zone carries came about: the answer of ``GET /zones/{id}/history``."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from api.conventions import fields
from api.conventions.answers import rounded
from api.conventions.filters import Names
from api.conventions.serializers import StrictSerializer
from zones.models import Zone
from zones.planning.histories import Crossing, Entry, Line
from zones.plant.change_sets import ChangeSetInfo

from . import figures
from .attributions import AttributionSerializer, NamedSetSerializer, attribution
from .dated import AsOfQuery


class HistoryQuery(AsOfQuery):
    code = Names(figures.CODES, required=False, help_text="Only these limits, with commas between them.")


class EntrySerializer(StrictSerializer):
    """A figure from a day on, and the change that made it so."""

    day = fields.Day()
    low = fields.Number(allow_null=True, help_text=figures.LOW_HELP)
    likely = fields.Number(allow_null=True, help_text=figures.LIKELY_HELP)
    high = fields.Number(allow_null=True, help_text=figures.HIGH_HELP)
    limit = fields.Number(allow_null=True)
    verdict = fields.Choice(choices=figures.VERDICTS)
    what = fields.Text(allow_blank=True, help_text="What was done, in a few words.")
    sentence = fields.Text(help_text="What was done, by whom, when, and what it led to.")
    change_set = NamedSetSerializer(allow_null=True)
    correction = NamedSetSerializer(
        allow_null=True, help_text="The later correction of the record that last wrote it, if one did."
    )


class CrossingSerializer(StrictSerializer):
    day = fields.Day()
    past = fields.Flag(help_text="true: the likely figure went past its limit; false: it came back.")
    sentence = fields.Text()
    change_set_id = fields.Id(allow_null=True)


class LineSerializer(StrictSerializer):
    """One figure of one subject over time, oldest first: what it was when it was commissioned, or surveyed,
    and whatever changed it or its limit since."""

    code = fields.Choice(choices=figures.CODES)
    title = fields.Text()
    subject = figures.SubjectSerializer()
    quantity = fields.Text()
    unit = fields.Text(allow_blank=True)
    limit_is = fields.Choice(choices=["at_most", "at_least"])
    surveyed = fields.Flag(help_text="The site was taken over: it begins with its survey.")
    baseline = EntrySerializer(allow_null=True, help_text="null: it came after the survey.")
    entries = EntrySerializer(many=True)
    crossings = CrossingSerializer(many=True)
    attribution = AttributionSerializer(
        allow_null=True, help_text="Where it is past now: what pushed it there."
    )


class ZoneHistorySerializer(StrictSerializer):
    zone_id = fields.Id()
    zone = fields.Text(help_text="Its name.")
    site_id = fields.Id()
    as_of = fields.Day()
    items = LineSerializer(many=True)


def zone_history_shown(zone: Zone, as_of: date, lines: Sequence[Line]) -> dict[str, Any]:
    return {
        "zone_id": zone.pk,
        "zone": zone.name,
        "site_id": zone.site_id,
        "as_of": as_of.isoformat(),
        "items": [_line(line) for line in lines],
    }


def _line(line: Line) -> dict[str, Any]:
    return {
        "code": line.limit.code,
        "title": line.limit.title,
        "subject": figures.subject(line.subject, line.name),
        "quantity": line.limit.quantity,
        "unit": line.limit.unit,
        "limit_is": figures.limit_is(line.limit),
        "surveyed": line.surveyed,
        "baseline": None if line.baseline is None else _entry(line.baseline),
        "entries": [_entry(entry) for entry in line.entries],
        "crossings": [_crossing(crossing) for crossing in line.crossings],
        "attribution": None if line.attribution is None else attribution(line.attribution),
    }


def _entry(entry: Entry) -> dict[str, Any]:
    return {
        "day": entry.day.isoformat(),
        "low": rounded(entry.low),
        "likely": rounded(entry.likely),
        "high": rounded(entry.high),
        "limit": rounded(entry.limit),
        "verdict": entry.verdict.name.lower(),
        "what": entry.what,
        "sentence": entry.sentence,
        "change_set": _named(entry.change_set),
        "correction": _named(entry.correction),
    }


def _crossing(crossing: Crossing) -> dict[str, Any]:
    entry = crossing.entry
    return {
        "day": entry.day.isoformat(),
        "past": crossing.past,
        "sentence": entry.sentence,
        "change_set_id": None if entry.change_set is None else entry.change_set.id,
    }


def _named(info: ChangeSetInfo | None) -> dict[str, Any] | None:
    if info is None:
        return None
    return {
        "id": info.id,
        "day": info.happened_on.isoformat(),
        "actor": info.actor,
        "job_reference": info.job_reference,
        "reason": info.reason,
    }
