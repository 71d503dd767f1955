"""Findings as a person reads them in a list: what each is about, where that stands, which zones hang on it,
and what to beware of there. In at most six queries, however many findings and kinds of things there are.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from zoneinfo import ZoneInfo

from django.db.models import (
    BigIntegerField,
    Case,
    F,
    FloatField,
    OuterRef,
    QuerySet,
    Subquery,
    TextField,
    Value,
    When,
)
from django.db.models.functions import Cast, Concat
from django.utils import timezone

from sites.changes.steps import first_step_after
from sites.models import Amplifier, AmplifierFacts, Endpoint, Supply
from zones.electrical.subjects import SubjectKind
from zones.limits.cautions import CautionHere, Surroundings, cautions_of
from zones.limits.limit import Detail, Limit
from zones.limits.names import SUBJECTS
from zones.limits.registry import limit_by_code
from zones.models import Point, PointFacts, Reading, Zone

from .event_payloads import sentence_of
from .locations import CLOSETS, zones_of
from .models import Finding

_CLOSET_TEXTS: Final = ("name", "room", "directions", "permits")


@dataclass(frozen=True)
class ZoneHere:
    """A zone that hangs on the subject of a finding."""

    id: int
    name: str
    life_safety: str


@dataclass(frozen=True)
class ToldFinding:
    """subject, place: as people call them; place: where to look, blank where nowhere in particular.
    closet_id: where to go; None: in no closet."""

    limit: Limit
    subject: str
    place: str
    closet_id: int | None
    zones: tuple[ZoneHere, ...]
    sentence: str
    cautions: tuple[CautionHere, ...]


def told(findings: Sequence[Finding]) -> dict[int, ToldFinding]:
    """By id, findings in words, as of today at their sites, which must be there with them."""
    if not findings:
        return {}
    now = timezone.now()
    steps = {f.site_id: _step_of_today(f.site.time_zone, now) for f in findings}
    zone_ids = zones_of(((f.site_id, f.subject) for f in findings), steps)
    things = _things(findings, {zone_id for ids in zone_ids.values() for zone_id in ids})
    sources = _sources({thing.closet_id for thing in things.values() if thing.closet_id}, steps)
    return {f.pk: _told(f, zone_ids.get(f.subject, ()), things, sources) for f in findings}


def _step_of_today(time_zone: str, now: dt.datetime) -> int:
    return first_step_after(now.astimezone(ZoneInfo(time_zone)).date()) - 1


# --- things by name -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Thing:
    """A row of the one query for names: two words of it, and where it stands."""

    words: tuple[str, str]
    closet_id: int | None
    closet_texts: str
    dangers: str
    ladder_m: float | None


_Key = tuple[str, int]
_ZONE: Final = "zone"


def _subject_key(finding: Finding) -> _Key:
    return f"subject {finding.subject_kind}", finding.subject_id


def _detail_key(detail: Detail, number: int) -> _Key:
    return f"detail {detail}", number


def _things(findings: Iterable[Finding], zone_ids: Collection[int]) -> dict[_Key, _Thing]:
    wanted: dict[str, set[int]] = defaultdict(set)
    for finding in findings:
        kind, number = _subject_key(finding)
        wanted[kind].add(number)
        detail = limit_by_code(finding.code).detail
        if detail is not None and finding.detail is not None:
            kind, number = _detail_key(detail, finding.detail)
            wanted[kind].add(number)
    wanted[_ZONE] |= set(zone_ids)
    parts = [_SEARCHES[kind](kind, ids) for kind, ids in wanted.items() if ids and kind in _SEARCHES]
    if not parts:
        return {}
    rows = parts[0].union(*parts[1:], all=True) if len(parts) > 1 else parts[0]
    return {
        (kind, number): _Thing((first, second), closet_id, texts, dangers, ladder_m)
        for kind, number, first, second, closet_id, texts, dangers, ladder_m in rows
    }


class _Search:
    """How things of a kind are looked for: their words, and the lookup that leads to their closet."""

    def __init__(self, model: Any, first: Any, second: Any = "", closet: str = "") -> None:
        self.model = model
        self.words = (first, second)
        self.closet = closet

    def __call__(self, kind: str, ids: Collection[int]) -> QuerySet[Any, Any]:
        first, second = (Cast(word or Value(""), TextField()) for word in self.words)
        rows = self.model._default_manager.filter(pk__in=ids).order_by()
        closet_id: Any = Cast(Value(None), BigIntegerField())
        texts: Any = Value("", TextField())
        dangers: Any = Value("", TextField())
        ladder_m: Any = Cast(Value(None), FloatField())
        if self.closet:
            place = self.closet.removesuffix("_id")
            closet_id = F(self.closet)
            parts = [part for name in _CLOSET_TEXTS for part in (F(f"{place}__{name}"), Value("\n"))]
            texts = Concat(*parts, output_field=TextField())
            dangers = F(f"{place}__dangers")
            ladder_m = F(f"{place}__ladder_m")
        found: QuerySet[Any, Any] = rows.annotate(
            kind_=Value(kind, TextField()),
            number_=F("pk"),
            first_=first,
            second_=second,
            closet_=closet_id,
            texts_=texts,
            dangers_=dangers,
            ladder_=ladder_m,
        ).values_list("kind_", "number_", "first_", "second_", "closet_", "texts_", "dangers_", "ladder_")
        return found


def _searches() -> dict[str, _Search]:
    found = {_ZONE: _Search(Zone, "name", "life_safety")}
    for kind, (model, names, _) in SUBJECTS.items():
        closet = CLOSETS[kind][1] if kind in CLOSETS else ""
        found[f"subject {kind.value}"] = _Search(model, names[0], names[1] if names[1:] else "", closet)
    # The last thing said of where a point is
    place = PointFacts._default_manager.filter(point=OuterRef("pk")).order_by("-step").values("place")[:1]
    found[f"detail {Detail.POINT}"] = _Search(Point, "name", Subquery(place))
    found[f"detail {Detail.ENDPOINT}"] = _Search(Endpoint, "name")
    found[f"detail {Detail.READING}"] = _Search(Reading, "taken_on")
    return found


_SEARCHES: Final = _searches()


def _subject_name(finding: Finding, things: Mapping[_Key, _Thing]) -> str:
    kind = SubjectKind(finding.subject_kind)
    thing = things.get(_subject_key(finding))
    if thing is None:
        return f"{kind.name.lower()} {finding.subject_id}"
    _, names, say = SUBJECTS[kind]
    return say(*thing.words[: len(names)])


def _place_name(finding: Finding, detail: Detail | None, things: Mapping[_Key, _Thing]) -> str:
    if detail is None or finding.detail is None:
        return ""
    if detail is Detail.ROW:
        return f"row {finding.detail}"
    thing = things.get(_detail_key(detail, finding.detail))
    if thing is None:
        return ""
    first, second = thing.words
    if detail is Detail.READING:
        return f"reading of {first}"
    return f"{first} ({second})" if second else first


# --- what is energised --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Sources:
    """What is energised in a closet, and at which voltages lines start there."""

    names: tuple[str, ...] = ()
    line_voltages_v: frozenset[float | None] = frozenset()


def _sources(closet_ids: Collection[int], steps: Mapping[int, int]) -> dict[int, _Sources]:
    if not closet_ids:
        return {}
    standing = {"closet_id__in": closet_ids, "end_step__isnull": True}
    facts = AmplifierFacts._default_manager.filter(
        amplifier__in=Amplifier._default_manager.filter(**standing).values("pk")
    )
    supplies = Supply._default_manager.filter(**standing)
    rows = _source_rows(
        supplies, "supply", F("pk"), F("closet_id"), F("name"), F("begin_step"), voltage=None
    ).union(
        _source_rows(
            facts,
            "amplifier",
            F("amplifier_id"),
            F("amplifier__closet_id"),
            F("amplifier__name"),
            F("step"),
            # No line voltage is how a low-impedance amplifier is recorded; of an unknown model it is unknown
            voltage=Case(
                When(line_voltage_v__isnull=True, model__isnull=True, then=Value(-1.0)),
                default=F("line_voltage_v"),
            ),
        ),
        all=True,
    )
    last: dict[tuple[str, int], tuple[int, int, str, float | None]] = {}
    for kind, number, closet_id, name, step, site_id, voltage in rows:
        known = last.get((kind, number))
        if step <= steps[site_id] and (known is None or known[0] < step):
            last[kind, number] = (step, closet_id, f"{kind} {name}", voltage)
    names: dict[int, list[str]] = defaultdict(list)
    voltages: dict[int, set[float | None]] = defaultdict(set)
    for (kind, _), (_, closet_id, name, voltage) in last.items():
        names[closet_id].append(name)
        if kind == "amplifier" and voltage is not None:
            voltages[closet_id].add(None if voltage < 0 else voltage)
    # Supplies before amplifiers, as events have them
    return {
        closet_id: _Sources(
            tuple(sorted(of, key=lambda name: (name.startswith("amplifier"), name))),
            frozenset(voltages[closet_id]),
        )
        for closet_id, of in names.items()
    }


def _source_rows(
    rows: QuerySet[Any], kind: str, number: F, closet: F, name: F, step: F, *, voltage: Any
) -> QuerySet[Any, Any]:
    found: QuerySet[Any, Any] = (
        rows.order_by()
        .annotate(
            kind_=Value(kind, TextField()),
            number_=number,
            closet_=closet,
            name_=Cast(name, TextField()),
            step_=Cast(step, BigIntegerField()),
            site_=F("site_id"),
            voltage_=Cast(Value(None) if voltage is None else voltage, FloatField()),
        )
        .values_list("kind_", "number_", "closet_", "name_", "step_", "site_", "voltage_")
    )
    return found


# --- together -----------------------------------------------------------------------------------------------


def _told(
    finding: Finding,
    zone_ids: Iterable[int],
    things: Mapping[_Key, _Thing],
    sources: Mapping[int, _Sources],
) -> ToldFinding:
    limit = limit_by_code(finding.code)
    subject = _subject_name(finding, things)
    place = _place_name(finding, limit.detail, things)
    zones = tuple(
        ZoneHere(zone_id, *things[_ZONE, zone_id].words) for zone_id in zone_ids if (_ZONE, zone_id) in things
    )
    thing = things.get(_subject_key(finding), _Thing(("", ""), None, "", "", None))
    energised = sources.get(thing.closet_id or 0, _Sources())
    here = Surroundings(
        life_safety=frozenset(zone.life_safety for zone in zones),
        line_voltages_v=energised.line_voltages_v,
        sources=energised.names,
        ladder_m=thing.ladder_m,
        dangers=(finding.site.dangers, thing.dangers),
        texts=(finding.site.permits, thing.closet_texts),
        limits=frozenset(limit.cautions),
    )
    said = sentence_of(finding, subject, place)
    return ToldFinding(
        limit=limit,
        subject=subject,
        place=place,
        closet_id=thing.closet_id,
        zones=zones,
        sentence=f"{said[:1].upper()}{said[1:]}",
        cautions=cautions_of(here),
    )
