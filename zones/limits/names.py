"""Subjects and places as people call them, for sentences: a few queries whatever their number."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

from django.db import models

from sites.models import Amplifier, Block, Endpoint, Output, Site, Supply, Switch, SwitchPort
from zones.electrical.subjects import SubjectKind
from zones.limits.limit import Detail
from zones.models import PointFacts, Reading, Run

K = TypeVar("K")
_Namer = tuple[type[models.Model], tuple[str, ...], Callable[..., str]]

SUBJECTS: dict[SubjectKind, _Namer] = {
    SubjectKind.RUN: (Run, ("name",), "run {}".format),
    SubjectKind.OUTPUT: (Output, ("number", "endpoint__name"), "output {} of {}".format),
    SubjectKind.SUPPLY: (Supply, ("name",), "supply {}".format),
    SubjectKind.AMPLIFIER: (Amplifier, ("name",), "amplifier {}".format),
    SubjectKind.SWITCH: (Switch, ("name",), "switch {}".format),
    SubjectKind.PORT: (SwitchPort, ("number", "switch__name"), "port {} of {}".format),
    SubjectKind.ENDPOINT: (Endpoint, ("name",), "endpoint {}".format),
    SubjectKind.BLOCK: (Block, ("name",), "block {}".format),
    SubjectKind.SITE: (Site, ("name",), "{}".format),
}


def names_of(subjects: Iterable[tuple[int, int]]) -> dict[tuple[int, int], str]:
    """Names of (subject kind, id) pairs: ``run R3``, ``output 2 of GW 1``. At most one query a kind."""
    return {
        (int(kind), id_): name
        for kind, ids in _by_kind(subjects).items()
        for id_, name in _names(SUBJECTS[SubjectKind(kind)], ids)
    }


def places_of(details: Iterable[tuple[Detail, int]]) -> dict[tuple[Detail, int], str]:
    """Names of what a figure's detail points at: ``P12 (gangway)``, ``row 7``, ``NS 3``, ``reading of
    2026-03-02``. At most one query a kind."""
    found: dict[tuple[Detail, int], str] = {}
    for kind, ids in _by_kind(details).items():
        found |= {(kind, id_): name for id_, name in _PLACES[kind](ids)}
    return found


def _by_kind(pairs: Iterable[tuple[K, int]]) -> dict[K, set[int]]:
    by_kind: dict[K, set[int]] = defaultdict(set)
    for kind, id_ in pairs:
        by_kind[kind].add(id_)
    return by_kind


def _names(namer: _Namer, ids: Iterable[int]) -> Iterable[tuple[int, str]]:
    model, fields, say = namer
    for id_, *values in model._default_manager.filter(pk__in=ids).values_list("pk", *fields):
        yield id_, say(*values)


def _points(ids: Iterable[int]) -> Iterable[tuple[int, str]]:
    # The last thing said of where a point is: the newest facts come last, and stay
    rows: Any = PointFacts.objects.filter(point__in=ids).order_by("step")
    for id_, name, place in rows.values_list("point_id", "point__name", "place"):
        yield id_, f"{name} ({place})" if place else name


_PLACES: dict[Detail, Callable[[Iterable[int]], Iterable[tuple[int, str]]]] = {
    Detail.POINT: _points,
    Detail.ROW: lambda ids: ((id_, f"row {id_}") for id_ in ids),
    Detail.ENDPOINT: lambda ids: _names((Endpoint, ("name",), "{}".format), ids),
    Detail.READING: lambda ids: _names((Reading, ("taken_on",), "reading of {}".format), ids),
}
