"""What pushed a figure past its limit, as findings and histories show it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers

from api.conventions import fields
from api.conventions.answers import rounded
from api.conventions.serializers import StrictSerializer
from zones.findings.attribution import Cause

CAUSES = [cause.name.lower() for cause in Cause]
_WORDS = {str(cause): cause.name.lower() for cause in Cause}


class ChangeSetSummarySerializer(StrictSerializer):
    """A change set, enough to know whom to ask."""

    id = fields.Id()
    day = fields.Day()
    actor = fields.Text()
    job_reference = fields.Text(allow_blank=True)
    reason = fields.Text()


class ChangeSummarySerializer(StrictSerializer):
    """One change: what was done, by which change set, and what the figure was before and after it."""

    cause = fields.Choice(choices=CAUSES)
    day = fields.Day()
    what = fields.Text(allow_blank=True)
    change_set = ChangeSetSummarySerializer(allow_null=True)
    correction = ChangeSetSummarySerializer(
        allow_null=True, help_text="The later correction of the record that last wrote it, if one did."
    )
    before = fields.Number(allow_null=True)
    after = fields.Number(allow_null=True)
    limit = fields.Number(allow_null=True)


class BaselineSerializer(StrictSerializer):
    """What it was at the end of its first day, or of the survey day of a site taken over."""

    day = fields.Day()
    surveyed = fields.Flag()
    figure = fields.Number(allow_null=True)
    limit = fields.Number(allow_null=True)


class BetweenSerializer(StrictSerializer):
    """The estimates went past at different changes: between these two the limit was crossed."""

    since = ChangeSummarySerializer()
    until = ChangeSummarySerializer()


class AttributionSerializer(StrictSerializer):
    """Which change pushed a figure past its limit, as far as the record tells."""

    cause = fields.Choice(choices=CAUSES)
    sentence = fields.Text()
    change_set_ids = serializers.ListField(
        child=fields.Id(), help_text="The change sets that are named, the causing one first."
    )
    day = fields.Day(allow_null=True)
    change = ChangeSummarySerializer(allow_null=True, help_text="The change that is named.")
    between = BetweenSerializer(allow_null=True)
    baseline = BaselineSerializer(
        allow_null=True, help_text="null: nobody can say, or time alone brought it about."
    )


def attribution(data: Mapping[str, Any]) -> dict[str, Any]:
    """An attribution as it is kept, under the names of the API."""
    between = data.get("between")
    change = data.get("change")
    baseline = data.get("baseline")
    return {
        "cause": _WORDS[data["kind"]],
        "sentence": data["sentence"],
        "change_set_ids": data["change_sets"],
        "day": data.get("day"),
        "change": None if change is None else _change(change),
        "between": None
        if between is None
        else {"since": _change(between["since"]), "until": _change(between["until"])},
        "baseline": None if baseline is None else _baseline(baseline),
    }


def _change(data: Mapping[str, Any]) -> dict[str, Any]:
    names = ("day", "what", "change_set", "correction", "before", "after", "limit")
    shown = {"cause": _WORDS[data["kind"]], **{name: data[name] for name in names}}
    return {**shown, **{name: rounded(data[name]) for name in ("before", "after", "limit")}}


def _baseline(data: Mapping[str, Any]) -> dict[str, Any]:
    return {**data, **{name: rounded(data[name]) for name in ("figure", "limit")}}
