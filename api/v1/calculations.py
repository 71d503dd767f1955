"""Calculations on what a request itself describes; nothing is read from the record or written to it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.permissions import AUTHENTICATED
from api.conventions.problems import INVALID, ProblemError
from api.conventions.serializers import StrictSerializer
from api.conventions.views import ApiView, Spec
from sites.changes.errors import Problem
from zones.electrical import bad_input
from zones.electrical.bad_input import BadInputError
from zones.electrical.described_run import WHY_INFEASIBLE, answer, describe
from zones.electrical.run_description import (
    LOAD,
    LONGEST_ID,
    MOST_POINTS,
    POINT,
    SOURCE,
    TEMPERATURE_C,
    Quantity,
)
from zones.limits.cautions import Caution


def _numbers(quantities: Mapping[str, Quantity], *required: str) -> dict[str, Any]:
    """A field a quantity, in the ranges in which they are checked."""
    found: dict[str, Any] = {}
    for name, quantity in quantities.items():
        kind: Any = fields.Whole if quantity.whole else fields.Number
        found[name] = kind(
            required=name in required,
            min_value=int(quantity.lowest) if quantity.whole else quantity.lowest,
            max_value=int(quantity.highest) if quantity.whole else quantity.highest,
            help_text=f"{quantity.expected[:1].upper()}{quantity.expected[1:]}.",
        )
    return found


# Made for the description of the API only: `describe` checks, and says all that is wrong in its own words
SourceSerializer: Any = type("SourceSerializer", (StrictSerializer,), _numbers(SOURCE, "voltage_v"))
LoadSerializer: Any = type("LoadSerializer", (StrictSerializer,), _numbers(LOAD))
_SegmentSerializer: Any = type("SegmentSerializer", (StrictSerializer,), _numbers(POINT))


class DescribedPointSerializer(_SegmentSerializer):
    """A point and the segment of cable to it: ``length_m`` and ``awg``, or ``loop_resistance_ohm``, which is
    taken as it is. Without a load it is a splice."""

    id = fields.Text(min_length=1, max_length=LONGEST_ID)
    parent = fields.Text(
        allow_null=True,
        max_length=LONGEST_ID,
        help_text="Another point's id; null: the segment is from the source.",
    )
    load = LoadSerializer(required=False)


class DescribedRunSerializer(StrictSerializer):
    """A run: its source, and its points in any order."""

    source = SourceSerializer()
    temperature_c = _numbers({"temperature_c": TEMPERATURE_C})["temperature_c"]
    points = fields.List(
        child=DescribedPointSerializer(), min_length=1, max_length=MOST_POINTS, allow_empty=False
    )


class SolvedPointSerializer(serializers.Serializer):
    id = fields.Text()
    voltage_v = fields.Number()
    current_a = fields.Number(help_text="That its own load draws.")


class LowestSerializer(serializers.Serializer):
    id = fields.Text()
    voltage_v = fields.Number()


class SolvedSerializer(serializers.Serializer):
    """The voltages of a run; or that it has none, and why."""

    feasible = fields.Flag()
    reason = fields.Choice(
        choices=[code for code, _ in WHY_INFEASIBLE.values()], required=False, help_text="Where not feasible."
    )
    detail = fields.Text(required=False, help_text="Where not feasible: why, and what would help.")
    source_current_a = fields.Number(required=False)
    points = SolvedPointSerializer(many=True, required=False)
    lowest = LowestSerializer(required=False)
    caution = fields.Text()


class RunCalculationView(ApiView):
    """The voltage and load current at every point of a run that the request describes."""

    specs = {"post": Spec(AUTHENTICATED, body=DescribedRunSerializer, answer=SolvedSerializer, computes=True)}

    def post(self, request: Request) -> Response:
        try:
            run = describe(request.data)
        except BadInputError as error:
            raise _problem(error) from error
        return Response({**answer(run, run.solve()), "caution": Caution.LOCAL_CODE.text})


def _problem(error: BadInputError) -> ProblemError:
    more = f" And {error.not_shown:,} more." if error.not_shown else ""
    rest = (
        [Problem(f"{error.not_shown:,} more.", "invalid", count=error.not_shown)] if error.not_shown else []
    )
    first = error.problems[0]
    return ProblemError(
        INVALID,
        f"This cannot be computed. {_sentence(first)}{more}",
        [*(Problem(_sentence(one), one.code, one.pointer) for one in error.problems), *rest],
    )


def _sentence(problem: bad_input.Problem) -> str:
    stop = "" if problem.detail.endswith((".", "?", "!")) else "."
    return f"{problem.path}: {problem.detail}{stop}"
