"""The history of what a zone carries: the answer of ``GET /zones/{id}/history``."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

from rest_framework import serializers

from api.conventions import fields
from api.conventions.answers import AnswerSerializer
from api.conventions.bodies import Rendered
from api.conventions.filters import Names
from api.conventions.sizes import WithLimitSerializer, within_limit
from zones.loads.histories import Entry, Line
from zones.models import Zone

from . import figures
from .attributions import AttributionSerializer, ChangeSetSummarySerializer
from .dated import AsOfQuery


class HistoryQuery(AsOfQuery):
    code = Names(figures.CODES, required=False, help_text="Only these limits, with commas between them.")


class EntryChangeSetSerializer(ChangeSetSummarySerializer):
    day = fields.Day(source="happened_on")


class EntrySerializer(figures.EstimatesSerializer, AnswerSerializer):
    """A figure from a day on, and the change that made it so."""

    change_set = EntryChangeSetSerializer(allow_null=True)
    correction = EntryChangeSetSerializer(
        allow_null=True, help_text="The later correction of the record that last wrote it, if one did."
    )

    class Meta:
        dataclass = Entry
        exclude = ("estimates",)
        extra_kwargs = {
            "what": {"help_text": "What was done, in a few words."},
            "sentence": {"help_text": "What was done, by whom, when, and what it led to."},
        }


class CrossingSerializer(serializers.Serializer):
    day = fields.Day(source="entry.day")
    past = fields.Flag(help_text="true: the likely figure went past its limit; false: it came back.")
    sentence = fields.Text(source="entry.sentence")
    change_set_id = fields.Id(source="entry.change_set.id", allow_null=True)


class LineSerializer(serializers.Serializer):
    """One figure of one subject over time, oldest first: what it was when it was commissioned, or surveyed,
    and every change of it or its limit since."""

    code = fields.Choice(choices=figures.CODES)
    title = fields.Text()
    subject = figures.SubjectSerializer()
    quantity = fields.Text()
    unit = fields.Text(allow_blank=True)
    limit_is = fields.Choice(choices=["at_most", "at_least"])
    surveyed = fields.Flag(help_text="The site was taken over: it begins with its survey.")
    baseline = EntrySerializer(allow_null=True, help_text="null: it came after the baseline.")
    entries = EntrySerializer(
        many=True,
        help_text="Where there are too many, the latest: ask with an earlier `as_of` for the others.",
    )
    crossings = CrossingSerializer(many=True)
    attribution = AttributionSerializer(
        allow_null=True, help_text="Where it is past now: what pushed it there."
    )


class ZoneHistorySerializer(WithLimitSerializer):
    zone_id = fields.Id()
    zone = fields.Text(help_text="Its name.")
    site_id = fields.Id()
    as_of = fields.Day()
    items = LineSerializer(many=True)


def zone_history_data(zone: Zone, as_of: date, lines: Sequence[Line]) -> Rendered:
    return within_limit(
        {
            "zone_id": zone.pk,
            "zone": zone.name,
            "site_id": zone.site_id,
            "as_of": as_of.isoformat(),
            "items": [_line(line) for line in lines],
        },
        latest=("entries", "crossings"),
    )


def _line(line: Line) -> dict[str, Any]:
    return {
        "code": line.limit.code,
        "title": line.limit.title,
        "subject": figures.subject(line.subject, line.name),
        "quantity": line.limit.quantity,
        "unit": line.limit.unit,
        "limit_is": figures.limit_is(line.limit),
        "surveyed": line.surveyed,
        "baseline": None if line.baseline is None else EntrySerializer(line.baseline).data,
        "entries": EntrySerializer(line.entries, many=True).data,
        "crossings": CrossingSerializer(line.crossings, many=True).data,
        "attribution": line.attribution,
    }
