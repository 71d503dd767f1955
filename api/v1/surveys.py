"""What a site leaves open: the answer of ``GET /sites/{id}/survey``."""

from __future__ import annotations

from typing import Any

from rest_framework import serializers

from api.conventions import fields
from api.conventions.serializers import StrictSerializer
from sites.models import Site
from zones.visits.survey import Question, Survey

from . import figures


class QuestionSerializer(StrictSerializer):
    """A figure that cannot be judged."""

    sentence = fields.Text(help_text="All of it in sentences.")
    missing = serializers.ListField(
        child=fields.Text(),
        help_text="What it depends on and is not recorded, or only estimated; empty: measure.",
    )
    figure = figures.FigureSerializer()


class SurveySerializer(StrictSerializer):
    """What a site leaves open on a day: the list for the next visit."""

    site_id = fields.Id()
    site = fields.Text(help_text="Its name.")
    as_of = fields.Day()
    summary = fields.Text(help_text="The survey in a few sentences.")
    items = QuestionSerializer(many=True)
    not_computed = figures.NotComputedSerializer(many=True, help_text="What cannot be computed, and why.")
    to_check = serializers.ListField(
        child=fields.Text(), help_text="Recorded values that contradict each other, each in a sentence."
    )


def survey_data(site: Site, survey: Survey) -> dict[str, Any]:
    return {
        "site_id": site.pk,
        "site": site.name,
        "as_of": survey.as_of.isoformat(),
        "summary": survey.summary,
        "items": [_question(one) for one in survey.questions],
        "not_computed": [figures.not_computed(one) for one in survey.problems],
        "to_check": list(survey.to_check),
    }


def _question(one: Question) -> dict[str, Any]:
    return {
        "sentence": one.sentence,
        "missing": list(one.missing),
        "figure": figures.figure(one.figure),
    }
