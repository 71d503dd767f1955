"""What was read of a run over the years, against what was expected."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.answers import AnswerSerializer
from api.conventions.sizes import WithLimitSerializer
from zones.loads.outcomes import Verdict
from zones.loads.trends import ReadingOnDay, Trend, TrendsOfRun
from zones.models import Test


class ReadingOnDaySerializer(AnswerSerializer):
    taken_as = fields.Choice(choices=Test.TakenAs.choices, allow_null=True)
    verdict = fields.Choice(choices=Verdict.choices, allow_null=True)

    class Meta:
        dataclass = ReadingOnDay


class TrendSerializer(AnswerSerializer):
    kind = fields.Choice(choices=Test.Kind.choices)
    state = fields.Choice(choices=Test.State.choices, allow_null=True)
    signal = fields.Choice(choices=Test.Signal.choices, allow_null=True)
    readings = ReadingOnDaySerializer(many=True)

    class Meta:
        dataclass = Trend


class TrendsOfRunSerializer(WithLimitSerializer, AnswerSerializer):
    trends = TrendSerializer(many=True)

    class Meta:
        dataclass = TrendsOfRun
