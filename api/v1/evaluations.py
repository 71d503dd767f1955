"""What a draft would do: the answer of ``POST /change-sets/{id}/evaluate``."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from api.conventions import fields
from sites.models.changes import ChangeSet
from zones.loads.wording import RenderedLoad
from zones.planning.drafts import Difference, DraftEvaluation

from . import figures


class DifferenceSerializer(serializers.Serializer):
    """One limit on one subject whose figure, limit or verdict would differ."""

    code = fields.Choice(choices=figures.CODES)
    title = fields.Text()
    subject = figures.SubjectSerializer()
    sentence = fields.Text(help_text="What would change, in a sentence.")
    crosses = fields.Flag(help_text="It would be past its limit, or cannot tell, and is neither now.")
    clears = fields.Flag(help_text="It is past its limit, or cannot tell, and would be neither.")
    before = figures.FigureSerializer(allow_null=True, help_text="null: it is not there yet.")
    after = figures.FigureSerializer(allow_null=True, help_text="null: it would not be there any more.")


class EvaluationSerializer(serializers.Serializer):
    """What a draft would do to its site: limits that it would cross first, then those that it would clear."""

    change_set_id = fields.Id()
    site_id = fields.Id()
    as_of = fields.Day(help_text="The later of the draft's day and today.")
    summary = fields.Text(help_text="The evaluation in a few sentences.")
    crosses = fields.Flag(
        help_text="Some figure would be past its limit, or cannot tell, that is neither now."
    )
    items = DifferenceSerializer(many=True)
    not_computed = figures.NotComputedSerializer(many=True, help_text="What could no longer be computed.")
    computed = figures.NotComputedSerializer(many=True, help_text="What could be computed again.")


def evaluation_data(draft: ChangeSet, found: DraftEvaluation) -> dict[str, Any]:
    return {
        "change_set_id": draft.pk,
        "site_id": draft.site_id,
        "as_of": found.as_of.isoformat(),
        "summary": found.summary,
        "crosses": bool(found.not_computed) or any(one.crosses for one in found.differences),
        "items": [_difference(one) for one in found.differences],
        "not_computed": [figures.not_computed(one) for one in found.not_computed],
        "computed": [figures.not_computed(one) for one in found.computed],
    }


def _difference(one: Difference) -> dict[str, Any]:
    told = _side(one)
    return {
        "code": one.code,
        "title": told.limit.title,
        "subject": figures.subject(one.subject, told.subject),
        "sentence": one.sentence,
        "crosses": one.crosses,
        "clears": one.clears,
        "before": None if one.before is None else figures.figure(one.before),
        "after": None if one.after is None else figures.figure(one.after),
    }


def _side(one: Difference) -> RenderedLoad:
    side = one.after or one.before
    assert side is not None, "a difference has a side"
    return side
