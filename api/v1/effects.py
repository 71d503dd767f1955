"""What a change does to the figures of its site: of a draft, of an accepted one, and of a single write."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, ClassVar

from django.db import transaction
from rest_framework import serializers
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.bodies import Rendered
from api.conventions.bulk_writing import BulkWriting
from api.conventions.serializers import QuerySerializer, RenderedSerializer
from api.conventions.sizes import WithLimitSerializer, within_limit
from api.conventions.views import Spec
from api.conventions.viewsets import OperationViewSet
from api.conventions.writing import Writing
from sites.changes.services import SITE_ADD, Accepted, Change
from zones.loads.wording import RenderedLoad
from zones.planning.effects import Difference, Effect, effect_of

from . import figures


class DifferenceSerializer(serializers.Serializer):
    """One limit on one subject whose figure, limit or verdict differs."""

    code = fields.Choice(choices=figures.CODES)
    title = fields.Text()
    subject = figures.SubjectSerializer()
    sentence = fields.Text(help_text="What changes, in a sentence.")
    crosses = fields.Flag(
        help_text="Its verdict is past, probably_past or cannot_tell after it, and a worse one than before."
    )
    clears = fields.Flag(
        help_text="Its verdict is past, probably_past or cannot_tell before it, and none of them after."
    )
    worsens = fields.Flag(
        help_text="Its verdict is worse than before; or it is the same, and less of the limit is left."
    )
    before = figures.FigureSerializer(allow_null=True, help_text="null: it is not there yet.")
    after = figures.FigureSerializer(allow_null=True, help_text="null: it is not there any more.")


class EffectSerializer(RenderedSerializer, WithLimitSerializer):
    """What a change does to its site: limits that it crosses first, then those that it clears, then what gets
    worse. What stays as it is is left out."""

    as_of = fields.Day(help_text="The later of the change's day and today.")
    summary = fields.Text(help_text="The effect in a few sentences.")
    crosses = fields.Flag(help_text="Some figure crosses its limit, or can no longer be computed.")
    items = DifferenceSerializer(many=True)
    not_computed = figures.NotComputedSerializer(many=True, help_text="What can no longer be computed.")
    computed = figures.NotComputedSerializer(many=True, help_text="What can be computed again.")


def effect_data(found: Effect) -> Rendered:
    return within_limit(
        {
            "as_of": found.as_of.isoformat(),
            "summary": found.summary,
            "crosses": found.crosses,
            "items": [_difference(one) for one in found.differences],
            "not_computed": [figures.not_computed(one) for one in found.not_computed],
            "computed": [figures.not_computed(one) for one in found.computed],
        }
    )


def _difference(one: Difference) -> dict[str, Any]:
    side = _side(one)
    return {
        "code": one.code,
        "title": side.limit.title,
        "subject": figures.subject(one.subject, side.subject),
        "sentence": one.sentence,
        "crosses": one.crosses,
        "clears": one.clears,
        "worsens": one.worsens,
        "before": None if one.before is None else figures.figure(one.before),
        "after": None if one.after is None else figures.figure(one.after),
    }


def _side(one: Difference) -> RenderedLoad:
    side = one.after or one.before
    assert side is not None, "a difference has a side"
    return side


# --- of a single write --------------------------------------------------------------------------------------


class EffectQuery(QuerySerializer):
    effect = fields.Flag(
        default=False,
        help_text="true: the answer also says, in `effect`, which figures of the site the change moves. That "
        "takes two evaluations of the site.",
    )


class BesideEffect:
    """Mixin for serializers that can show an effect: answers to a write have it beside the rest."""

    beside: ClassVar[Mapping[str, type[serializers.Serializer]]] = {"effect": EffectSerializer}


class EffectMixin(OperationViewSet):
    """Mixin for view sets of one site's record: with ``?effect=true``, the answer to a write says what the
    write does to the figures of the site. Ending or removing a thing has an empty answer, so it has no
    effect."""

    effect: Effect | None = None

    def spec_of(self, operation: str) -> Spec:
        spec = super().spec_of(operation)
        writes = isinstance(spec.body, Writing | BulkWriting) and spec.body.operation.name != SITE_ADD
        tells = "effect" in getattr(spec.answer, "beside", {})
        return replace(spec, query=EffectQuery) if writes and tells else spec

    def write(
        self,
        writing: Writing | BulkWriting,
        change: Change,
        values: Any,
        expects: Mapping[str, int] | None = None,
    ) -> Accepted[Any]:
        if not self.asked.get("effect"):
            return super().write(writing, change, values, expects)
        assert change.site_id is not None, "what has an effect is of a site"
        with transaction.atomic(), effect_of(change.site_id, change.happened_on) as effect:
            accepted = super().write(writing, change, values, expects)
            self.effect = effect()
        return accepted

    def respond(self, row: Any, *, status: int = 200) -> Response:
        return self.answered(super().respond(row, status=status))

    def answered(self, answer: Response) -> Response:
        if self.effect is not None:
            answer.data["effect"] = effect_data(self.effect)
        return answer
