"""An answer with any content is the JSON that REST framework's own renderer gives."""

from __future__ import annotations

import datetime as dt
import json
import uuid
from collections import OrderedDict
from decimal import Decimal
from typing import Any, NamedTuple

import numpy as np
import pytest
from django.utils.functional import lazystr
from rest_framework.renderers import JSONRenderer

from api.conventions.bodies import FastJSONRenderer
from sites.models import ChangeSet


class Pair(NamedTuple):
    low: float
    high: float


ANSWERS: tuple[Any, ...] = (
    {"name": "Quay 9 “Färje”, 24 V\u2028\n\\", "empty": [], "none": None, "yes": True},
    [0, -1, 2**63 - 1, 0.1, 1e-9, 1.5e300, 17.9567891],
    OrderedDict(b=Decimal("0.50"), a=uuid.UUID(int=7)),
    [dt.datetime(2026, 11, 2, 7, 30, 5, 123456, tzinfo=dt.UTC), dt.date(2026, 11, 2)],
    [dt.time(7, 30), dt.timedelta(hours=4)],
    {"kind": ChangeSet.Kind.CORRECTION, ChangeSet.Kind.CORRECTION: lazystr("said later")},
    {1: "a number's key", None: "no key"},
    [Pair(1.0, 2.0), (3, 4)],
    [np.float64(18.5), np.int64(4), np.array([1.5, 2.5])],
)  # fmt: skip


@pytest.mark.parametrize("answer", ANSWERS)
def test_it_says_what_the_frameworks_own_says(answer: object) -> None:
    assert json.loads(FastJSONRenderer().render(answer)) == json.loads(JSONRenderer().render(answer))


def test_no_answer_has_no_body() -> None:
    assert FastJSONRenderer().render(None) == b""


def test_a_person_may_ask_for_lines() -> None:
    assert FastJSONRenderer().render({"a": [1]}, "application/json; indent=2").decode() == (
        '{\n  "a": [\n    1\n  ]\n}'
    )


def test_what_is_no_number_is_null() -> None:
    assert FastJSONRenderer().render([float("nan"), float("inf")]) == b"[null,null]"


def test_what_is_no_json_is_refused() -> None:
    with pytest.raises(TypeError):
        FastJSONRenderer().render({"what": object()})
