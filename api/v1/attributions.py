"""What pushed a figure past its limit, as findings and histories show it."""

from __future__ import annotations

from rest_framework import serializers

from api.conventions import fields
from api.conventions.serializers import RenderedSerializer
from api.conventions.showing import PlainSerializer
from zones.findings.baselines import Since
from zones.findings.change_types import CHANGE_TYPES
from zones.findings.named_changes import Cause

CAUSES = [str(cause) for cause in Cause]


class ChangeSetSummarySerializer(PlainSerializer):
    """A change set in short: who, when, why. actor: who recorded it; done_by: who did the work, where that is
    another."""

    id = fields.Id()
    day = fields.Day()
    actor = fields.Text()
    done_by = fields.Text(allow_blank=True)
    job_reference = fields.Text(allow_blank=True)
    reason = fields.Text()


class ThingSummarySerializer(PlainSerializer):
    kind = fields.Text()
    id = fields.Whole(
        min_value=0, help_text="Of a thing in the record; of a `signal`, or a device's `kind`, its number."
    )
    name = fields.Text()


class ChangeAtStepSerializer(PlainSerializer):
    """One kind of change that was made, how often. before, after: of its value; of what it was connected to,
    ``before_thing`` and ``after_thing``."""

    type = fields.Choice(choices=list(CHANGE_TYPES))
    count = fields.Number(help_text="How many devices, segments or things.")
    device_kind = fields.Text()
    model = ThingSummarySerializer(allow_null=True)
    thing = ThingSummarySerializer(allow_null=True, help_text="What was changed, where that is one thing.")
    before = fields.Number(allow_null=True)
    after = fields.Number(allow_null=True)
    before_thing = ThingSummarySerializer(allow_null=True)
    after_thing = ThingSummarySerializer(allow_null=True)


class ChangeSummarySerializer(PlainSerializer):
    """One change: what was done, by which change set, and what the figure was before and after it."""

    cause = fields.Choice(choices=CAUSES)
    day = fields.Day()
    what = fields.Text(allow_blank=True)
    changes = ChangeAtStepSerializer(many=True, help_text="The same by kind of change.")
    change_set = ChangeSetSummarySerializer(allow_null=True)
    correction = ChangeSetSummarySerializer(
        allow_null=True, help_text="The correction of the record that made the crossing, if one did."
    )
    note = ChangeSetSummarySerializer(
        allow_null=True,
        help_text="The correction that last wrote what changed there without making the crossing, if any.",
    )
    before = fields.Number(allow_null=True)
    after = fields.Number(allow_null=True)
    limit = fields.Number(allow_null=True)


class BaselineSerializer(PlainSerializer):
    """The figure at the end of the day from which the site's limits are followed."""

    day = fields.Day()
    surveyed = fields.Flag(help_text="It is the survey day of a site taken over.")
    since = fields.Choice(
        choices=[str(since) for since in Since],
        help_text="The survey day of a site taken over, else its commissioned day, else its first recorded "
        "day.",
    )
    in_service = fields.Flag(help_text="false: that day is still to come, and no event is sent before it.")
    figure = fields.Number(allow_null=True)
    limit = fields.Number(allow_null=True)


class BetweenSerializer(PlainSerializer):
    """The estimates went past at different changes: the limit was crossed between these two."""

    since = ChangeSummarySerializer()
    until = ChangeSummarySerializer()


class AttributionSerializer(RenderedSerializer):
    """Which change pushed a figure past its limit, as far as the record shows."""

    cause = fields.Choice(choices=CAUSES)
    sentence = fields.Text()
    change_set_ids = serializers.ListField(
        child=fields.Id(), help_text="The change sets that are named, the causing one first."
    )
    day = fields.Day(allow_null=True)
    change = ChangeSummarySerializer(allow_null=True, help_text="The change that is named.")
    between = BetweenSerializer(allow_null=True)
    baseline = BaselineSerializer(allow_null=True, help_text="null: no known cause, or time alone.")
