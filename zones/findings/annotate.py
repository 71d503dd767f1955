"""Findings as a person reads them: what each is about, where that stands, which zones it bears on, which
change made it, and what to beware of there. As many queries for a page of findings as for one."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import BigIntegerField, Case, F, FloatField, QuerySet, TextField, Value, When
from django.db.models.functions import Cast
from django.utils import timezone

from sites.changes.steps import first_step_after
from sites.models import Amplifier, AmplifierFacts, Supply
from zones.limits.cautions import CautionHere, Surroundings, cautions_of
from zones.limits.limit import Limit
from zones.limits.record import why_not_computed
from zones.limits.registry import limit_by_code
from zones.plant.change_sets import change_sets_by_id

from . import wording
from .changes_at_step import Reference
from .locations import zones_of
from .models import Finding
from .named_changes import Attribution
from .names import Thing, of_subject, things_of


@dataclass(frozen=True)
class ZoneHere:
    """A zone that the subject of a finding bears on."""

    id: int
    name: str
    life_safety: str


@dataclass(frozen=True)
class FindingInWords:
    """title: site, subject, figure and limit, in at most 80 characters. subject, place: as people call them;
    place: where to look, blank where nowhere in particular. closet_id: where to go; None: in no closet.
    attribution: as the API shows it. here: what its cautions depend on."""

    limit: Limit
    title: str
    subject: str
    place: str
    closet_id: int | None
    zones: tuple[ZoneHere, ...]
    sentence: str
    reason: str
    attribution: dict[str, Any]
    here: Surroundings

    @property
    def cautions(self) -> tuple[CautionHere, ...]:
        return cautions_of(self.here)


def annotate(
    findings: Sequence[Finding], steps: Mapping[int, int] | None = None
) -> dict[int, FindingInWords]:
    """By id, findings in words; their sites must be there with them. steps: by site, as of which; left out:
    today's."""
    if not findings:
        return {}
    steps = steps or _steps_of_today(findings)
    change_sets = change_sets_by_id({pk for f in findings for pk in f.attribution["change_sets"]})
    attributions = {f.pk: Attribution.of_record(f.attribution, change_sets) for f in findings}
    zone_ids = zones_of(((f.site_id, f.subject) for f in findings), steps)
    references = {Reference("zone", zone_id) for ids in zone_ids.values() for zone_id in ids}
    for finding in findings:
        references |= {of_subject(*finding.subject), *_places(finding)}
    for attribution in attributions.values():
        references |= set(attribution.references()) if attribution is not None else set()
    things = things_of(references)
    sources = _sources({thing.closet_id for thing in things.values() if thing.closet_id}, steps)
    return {
        f.pk: _in_words(f, attributions[f.pk], zone_ids.get(f.subject, ()), things, sources) for f in findings
    }


def _steps_of_today(findings: Sequence[Finding]) -> dict[int, int]:
    now = timezone.now()
    zones = {f.site_id: f.site.time_zone for f in findings}
    return {pk: first_step_after(now.astimezone(ZoneInfo(zone)).date()) - 1 for pk, zone in zones.items()}


def _places(finding: Finding) -> list[Reference]:
    """Where to look, as a reference; nowhere in particular: none."""
    detail = limit_by_code(finding.code).detail
    return [] if detail is None or finding.detail is None else [Reference(str(detail), finding.detail)]


def _in_words(
    finding: Finding,
    attribution: Attribution | None,
    zone_ids: Collection[int],
    things: Mapping[Reference, Thing],
    sources: Mapping[int, _Sources],
) -> FindingInWords:
    limit = limit_by_code(finding.code)
    names = {reference: thing.name for reference, thing in things.items()}
    of = of_subject(*finding.subject)
    thing = things.get(of, Thing(f"{of.kind} {of.id}"))
    place = next((names[at] for at in _places(finding) if at in names), "")
    zones = tuple(
        ZoneHere(at.id, *things[at].words)
        for at in (Reference("zone", zone_id) for zone_id in zone_ids)
        if at in things
    )
    energised = sources.get(thing.closet_id or 0, _Sources())
    said = limit.sentence(
        subject=thing.name,
        low=finding.low,
        likely=finding.likely,
        high=finding.high,
        limit=finding.limit_value,
        place=place,
    )
    reason = why_not_computed(finding.reasons)
    return FindingInWords(
        limit=limit,
        title=wording.title(finding.site.code, limit, thing.name, finding.likely, finding.limit_value),
        subject=thing.name,
        place=place,
        closet_id=thing.closet_id,
        zones=zones,
        sentence=f"{said.removesuffix('.')}: {reason}." if reason else said,
        reason=reason,
        attribution=wording.as_shown(finding.attribution, attribution, limit, thing.name, names),
        here=Surroundings(
            life_safety=frozenset(zone.life_safety for zone in zones),
            line_voltages_v=energised.line_voltages_v,
            sources=energised.names,
            ladder_m=thing.ladder_m,
            dangers=(finding.site.dangers, thing.dangers),
            texts=(finding.site.permits, finding.site.induction, thing.closet_texts),
            limits=frozenset(limit.cautions),
        ),
    )


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
