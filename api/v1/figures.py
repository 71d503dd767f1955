"""Figures against their limits, as every address shows them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from rest_framework import serializers

from api.conventions import fields
from api.conventions.answers import RoundedField, rounded
from api.conventions.serializers import RenderedSerializer
from api.conventions.showing import PlainSerializer
from zones.electrical.estimates import WORDS, Estimates
from zones.electrical.subjects import Subject, SubjectKind
from zones.electrical.verdicts import Verdict
from zones.limits.cautions import Caution, CautionHere
from zones.limits.limit import Detail, Limit, Severity
from zones.limits.registry import LIMITS
from zones.loads.wording import NotComputed, RenderedLoad

PLACES = ("low_place", "place", "high_place")
CODES = [limit.code for limit in LIMITS]
SUBJECT_KINDS = [kind.name.lower() for kind in SubjectKind]
VERDICTS = [verdict.name.lower() for verdict in Verdict]
SEVERITIES = [severity.name.lower() for severity in Severity]
VERDICT_HELP = (
    "within; near; cannot_tell: only the high estimate is past, or a rating is missing; probably_past: the "
    "likely estimate is past; past: even the low estimate is."
)


LOW_HELP = (
    "The figure by the low estimate of load, farthest from the limit. Where `limit_is` is `at_least`, as for "
    "a lowest voltage, it is the greatest of the three."
)
LIKELY_HELP = "The figure by the likely estimate of load."
HIGH_HELP = (
    "The figure by the high estimate of load, nearest to the limit or farthest past it. Where `limit_is` is "
    "`at_least`, it is the least of the three."
)


LIMIT_HELP = "Of what decides the likely estimate. null: a rating is missing, so it cannot be judged."
OTHER_LIMIT_HELP = (
    "Of what decides this estimate, which may be another speaker or segment with another limit; `limit` "
    "where it is not."
)
OVERLOADED_HELP = (
    "The estimates that have no stable solution: they have no number, and are past. The loads ask for more "
    "than the cable can carry."
)
BOUNDS_HELP = (
    "The estimates whose true figure may be harsher than the number, since something beside it is "
    "overloaded: the verdict is never better than cannot_tell."
)


class SubjectSerializer(RenderedSerializer):
    kind = fields.Choice(choices=SUBJECT_KINDS)
    id = fields.Id()
    name = fields.Text(help_text="As people call it, as in `supply PS 1`.")


class PlaceSerializer(RenderedSerializer):
    kind = fields.Choice(choices=[str(detail) for detail in Detail if detail is not Detail.DUE_TEST])
    id = fields.Whole(help_text="Its id; of a row, its number.")
    name = fields.Text(allow_blank=True)


class CautionSerializer(RenderedSerializer):
    code = fields.Choice(choices=[str(caution) for caution in Caution])
    text = fields.Text()
    why = fields.Text(help_text="Why it matters here.")


def _number(source: str, words: str) -> RoundedField:
    return RoundedField(source=f"estimates.{source}", read_only=True, allow_null=True, help_text=words)


def _words(source: str, words: str) -> serializers.ListField:
    child = fields.Choice(choices=WORDS)
    return serializers.ListField(child=child, source=f"estimates.{source}", read_only=True, help_text=words)


class EstimatesSerializer(PlainSerializer):
    """The estimates of a figure, each with the limit of what decides it."""

    low = _number("low.value", LOW_HELP)
    likely = _number("likely.value", LIKELY_HELP)
    high = _number("high.value", HIGH_HELP)
    limit = _number("likely.limit", LIMIT_HELP)
    low_limit = _number("low.limit", OTHER_LIMIT_HELP)
    high_limit = _number("high.limit", OTHER_LIMIT_HELP)
    overloaded = _words("overloaded", OVERLOADED_HELP)
    bounds = _words("bounds", BOUNDS_HELP)


def shown_estimates(of: Estimates) -> dict[str, Any]:
    """The estimates as ``EstimatesSerializer`` describes them."""
    low, likely, high = of
    return shown_numbers(
        *(low.value, likely.value, high.value),
        *(low.limit, likely.limit, high.limit),
        *(of.overloaded, of.bounds),
    )


def shown_numbers(
    low: float | None,
    likely: float | None,
    high: float | None,
    low_limit: float | None,
    limit: float | None,
    high_limit: float | None,
    overloaded: Sequence[str],
    bounds: Sequence[str],
) -> dict[str, Any]:
    """The same, without the estimates that these belong to: a list has thousands."""
    shown = rounded(limit)  # of most figures the one limit of all three
    return {
        "low": rounded(low),
        "likely": rounded(likely),
        "high": rounded(high),
        "limit": shown,
        "low_limit": shown if low_limit == limit else rounded(low_limit),
        "high_limit": shown if high_limit == limit else rounded(high_limit),
        "overloaded": overloaded,
        "bounds": bounds,
    }


class FigureSerializer(EstimatesSerializer):
    """One figure against its limit. low, likely and high are by estimates of load. Where the limit is a least
    one, the low estimate of load gives the greatest figure."""

    code = fields.Choice(choices=CODES)
    title = fields.Text()
    subject = SubjectSerializer()
    sentence = fields.Text(help_text="Figure and limit, in a sentence.")
    verdict = fields.Choice(choices=VERDICTS, help_text=VERDICT_HELP)
    quantity = fields.Text(help_text="What the figure is.")
    unit = fields.Text(allow_blank=True, help_text="Of figure and limit; blank for counts and shares.")
    limit_is = fields.Choice(choices=["at_most", "at_least"])
    limit_from = fields.Text(help_text="What the limit is made of.")
    source = fields.Text(  # type: ignore[assignment]
        help_text="The document of the limit, or that it has no source."
    )
    near = fields.Text(help_text="When the figure counts as near its limit.")
    headroom_likely = fields.Number(
        allow_null=True,
        help_text="The share of the limit that is left, of a figure in dB its margin over 6 dB; negative "
        "past the limit.",
    )
    headroom_worst = fields.Number(allow_null=True, help_text="The same by the high estimate.")
    share_measured_or_marked = fields.Number(
        allow_null=True, help_text="The share of the load that is measured or marked data."
    )
    severity = fields.Choice(choices=SEVERITIES, help_text="What follows where the limit is past.")
    place = PlaceSerializer(
        allow_null=True, help_text="Where to look, where that is somewhere in particular."
    )
    low_place = PlaceSerializer(allow_null=True, help_text="What decides the low estimate.")
    high_place = PlaceSerializer(allow_null=True, help_text="What decides the high estimate.")


class NotComputedSerializer(PlainSerializer):
    subject = SubjectSerializer()
    reason = fields.Text()


def figure(one: RenderedLoad) -> dict[str, Any]:
    load, limit = one.load, one.limit
    return {
        "code": limit.code,
        "title": limit.title,
        "subject": subject(load.subject, one.subject),
        "sentence": one.sentence,
        "verdict": load.verdict.name.lower(),
        "quantity": limit.quantity,
        "unit": limit.unit,
        **shown_estimates(load.estimates),
        "limit_is": limit_is(limit),
        "limit_from": limit.limit_from,
        "source": limit.source,
        "near": limit.near_rule,
        "headroom_likely": rounded(load.headroom_likely),
        "headroom_worst": rounded(load.headroom_worst),
        "share_measured_or_marked": rounded(load.supported),
        "severity": limit.severity.name.lower(),
        **{
            name: place(limit, estimate.detail, at)
            for name, estimate, at in zip(PLACES, load.estimates, one.places, strict=True)
        },
    }


def subject(of: Subject, name: str) -> dict[str, Any]:
    kind, subject_id = of
    return {"kind": SubjectKind(kind).name.lower(), "id": subject_id, "name": name}


def place(limit: Limit, detail: int | None, name: str) -> dict[str, Any] | None:
    if limit.detail in (None, Detail.DUE_TEST) or detail is None:
        return None
    return {"kind": str(limit.detail), "id": detail, "name": name}


def limit_is(limit: Limit) -> str:
    return "at_least" if limit.rule is not None and limit.rule.at_least else "at_most"


def not_computed(one: NotComputed) -> dict[str, Any]:
    return {"subject": subject(one.subject, one.name), "reason": one.reason}


def cautions(found: Iterable[CautionHere]) -> list[dict[str, str]]:
    return [{"code": str(one.caution), "text": one.text, "why": one.why} for one in found]
