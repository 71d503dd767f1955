"""The sheet of a closet: all that a dispatcher reads, and a technician takes along, before a visit.

Life safety comes first, then the dangers, then how to get there; then what stands there, what it carries,
what is wrong with it and what is not recorded.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from django.db.models import Q

from sites.changes.steps import first_step_after
from sites.models import Closet
from sites.wording import capital, counted, listed, plural
from zones.electrical.subjects import Subject, SubjectKind
from zones.electrical.verdicts import Verdict
from zones.findings.annotate import Annotated
from zones.findings.in_words import FindingInWords
from zones.findings.selectors import by_severity
from zones.findings.visits import VisitDone, last_visits
from zones.hazards import Hazards
from zones.limits.cautions import CautionHere, zones_named
from zones.loads.site_loads import loads_on
from zones.loads.wording import not_computed, places_of
from zones.loads.zone_loads import ZoneLoad, cautions_of_limits, loads_of_zones
from zones.models import Finding, Zone
from zones.subjects import Names, subjects_in

from .equipment import Equipment, equipment_of
from .reaching import Cover, Reach, cover_of, reach_of
from .recent import RecentChange, RecentChanges
from .survey import Question, questions_of
from .wiring import Wiring, wiring_of


@dataclass(frozen=True)
class LifeSafety:
    """answer: yes, unknown or no, the most severe of the zones that are fed from here."""

    answer: str
    zones: tuple[Zone, ...]
    sentence: str


@dataclass(frozen=True, eq=False)
class ZoneHere:
    """A zone that is fed from here, wholly or in part."""

    zone: Zone
    load: ZoneLoad


@dataclass(frozen=True)
class FindingHere:
    """elsewhere: its subject stands in another closet, and a zone that is fed from here depends on it."""

    finding: Finding
    words: FindingInWords
    elsewhere: bool


@dataclass(frozen=True, eq=False)
class ClosetSheet:
    """unknown: what is not known that one should know, in sentences; questions: the figures among that."""

    closet: Closet
    as_of: dt.date
    life_safety: LifeSafety
    cautions: tuple[CautionHere, ...]
    reach: Reach
    cover: Cover
    equipment: Equipment
    wiring: Wiring
    zones: tuple[ZoneHere, ...]
    findings: tuple[FindingHere, ...]
    questions: tuple[Question, ...]
    unknown: tuple[str, ...]
    changes: tuple[RecentChange, ...]
    visits: tuple[VisitDone, ...]
    summary: str


LAST_VISITS: Final = 5


def closet_sheet(closet: Closet, as_of: dt.date) -> ClosetSheet:
    """The sheet of a closet as of the end of a day. As many queries for a full closet as for a bare one: all
    parts ask for their names before the first of these is read.

    How it is reached, and whom to call, is shown as it is now: that is not dated.
    """
    before = first_step_after(as_of)
    reach, cover = reach_of(closet), cover_of(closet, as_of)
    equipment, wiring = equipment_of(closet, before), wiring_of(closet, before)
    loads = loads_on(closet.site_id, as_of)
    # Work here also silences a run that leaves elsewhere and is landed here
    here = subjects_in(closet, before) | {(SubjectKind.RUN, run.id) for run in wiring.runs}
    bearing = {zone_id: on for zone_id, on in loads.bearing.items() if on & here}
    concerned: set[Subject] = set(here).union(*bearing.values())
    names = Names()
    names.ask(concerned, places_of(loads.of(concerned)))
    open_findings = _open_findings(closet, as_of, concerned)
    annotated = Annotated(open_findings, names=names)
    changes = RecentChanges(closet, before, names)
    zones = _zones(bearing, loads_of_zones(loads, bearing, names))
    findings = _findings(open_findings, annotated, here)
    questions = questions_of(loads, concerned, names)
    figures = [figure for one in zones for figure in one.load.figures]
    cautions = Hazards([closet.pk], {closet.site_id: before}).cautions(
        closet.site,
        [closet.pk],
        zones=[one.zone for one in zones],
        limits=cautions_of_limits(figures).union(*(one.words.limit.cautions for one in findings)),
    )
    problems = not_computed(loads.problems_of(concerned), names)
    life_safety = _life_safety([one.zone for one in zones])
    return ClosetSheet(
        closet=closet,
        as_of=as_of,
        life_safety=life_safety,
        cautions=cautions,
        reach=reach,
        cover=cover,
        equipment=equipment,
        wiring=wiring,
        zones=zones,
        findings=findings,
        questions=questions,
        unknown=(
            *reach.unknown,
            *(f"{capital(one.name)} cannot be computed: {one.reason}." for one in problems),
            *(one.sentence for one in questions),
        ),
        changes=changes.in_words(),
        visits=last_visits(closet.site_id, closet.pk, as_of, LAST_VISITS),
        summary=_summary(closet, life_safety, reach, cover, equipment, zones, findings),
    )


# --- zones --------------------------------------------------------------------------------------------------

_GRAVITY = {Zone.LifeSafety.YES: 0, Zone.LifeSafety.UNKNOWN: 1, Zone.LifeSafety.NO: 2}


def _zones(bearing: Iterable[int], loads: Mapping[int, ZoneLoad]) -> tuple[ZoneHere, ...]:
    """Life safety first, then the worst verdict."""
    found = [ZoneHere(zone, loads[zone.pk]) for zone in Zone.objects.filter(pk__in=list(bearing))]
    return tuple(
        sorted(
            found,
            key=lambda one: (
                _GRAVITY[Zone.LifeSafety(one.zone.life_safety)],
                -one.load.verdict,
                one.zone.name,
                one.zone.pk,
            ),
        )
    )


def _life_safety(zones: Sequence[Zone]) -> LifeSafety:
    yes, unknown = (
        tuple(zone for zone in zones if zone.life_safety == answer)
        for answer in (Zone.LifeSafety.YES, Zone.LifeSafety.UNKNOWN)
    )
    said = []
    if yes:
        names = zones_named([zone.name for zone in yes], None)
        said.append(
            f"{capital(names)} {plural(len(yes), 'serves', 'serve')} life safety. Agree a substitute with "
            "the site before you switch anything off."
        )
    if unknown:
        names = zones_named([zone.name for zone in unknown], None)
        said.append(f"Life safety not recorded for {names}. Ask before you switch anything off.")
    if not said:
        said.append(
            "No zone that is fed from here serves life safety."
            if zones
            else "No zone is recorded as fed from here."
        )
    answer = "yes" if yes else "unknown" if unknown or not zones else "no"
    return LifeSafety(answer, yes + unknown, " ".join(said))


# --- findings -----------------------------------------------------------------------------------------------


def _open_findings(closet: Closet, as_of: dt.date, concerned: Collection[Subject]) -> list[Finding]:
    """Findings open at the end of the day on what is concerned: equipment here, and all that the zones here
    depend on."""
    end = dt.datetime.combine(as_of + dt.timedelta(days=1), dt.time(), tzinfo=ZoneInfo(closet.site.time_zone))
    still_open = Q(cleared_at__isnull=True) | Q(cleared_at__gte=end)
    of_site = Finding.objects.filter(still_open, site_id=closet.site_id, opened_at__lt=end)
    return [row for row in of_site.select_related("case", "site") if row.subject in concerned]


def _findings(
    rows: list[Finding], annotated: Annotated, here: Collection[Subject]
) -> tuple[FindingHere, ...]:
    """Those here before those elsewhere, worst first."""
    found = [
        FindingHere(row, annotated.words[row.pk], elsewhere=row.subject not in here)
        for row in by_severity(rows)
    ]
    return tuple(sorted(found, key=lambda one: one.elsewhere))


# --- to be read aloud ---------------------------------------------------------------------------------------


def _summary(
    closet: Closet,
    life_safety: LifeSafety,
    reach: Reach,
    cover: Cover,
    equipment: Equipment,
    zones: Sequence[ZoneHere],
    findings: Sequence[FindingHere],
) -> str:
    place = f", {reach.place}" if reach.place else ""
    said = [life_safety.sentence] if life_safety.answer != "no" else []
    said.append(f"Closet {closet.name} of {closet.site.name}{place}.")
    if reach.opened_by:
        hours = f" ({reach.opening_hours})" if reach.opening_hours else ""
        said.append(f"Opened by: {reach.opened_by}{hours}.")
    if reach.key_location:
        said.append(f"Key: {reach.key_location}.")
    if equipment.in_words:
        said.append(f"Here: {listed(equipment.in_words)}.")
    said.append(_of_zones(zones))
    if findings:
        worst = findings[0].words.sentence
        said.append(
            f"1 finding is open: {worst}"
            if len(findings) == 1
            else f"{len(findings)} findings are open, the worst: {worst}"
        )
    said.append(cover.sentence)
    return " ".join(said)


def _of_zones(zones: Sequence[ZoneHere]) -> str:
    if not zones:
        return "Nothing that is recorded here feeds a zone."
    said = [f"{counted(len(zones), 'zone')} {plural(len(zones), 'is', 'are')} fed from here"]
    for verdict, words in _VERDICTS:
        names = [one.zone.name for one in zones if one.load.verdict is verdict]
        if names:
            said.append(f"{words}: {listed(names, 5)}")
    if len(said) == 1:
        said.append("every limit is kept")
    return "; ".join(said) + "."


_VERDICTS = (
    (Verdict.PAST, "past a limit"),
    (Verdict.PROBABLY_PAST, "probably past a limit"),
    (Verdict.CANNOT_TELL, "cannot be judged"),
    (Verdict.NEAR, "near a limit"),
)
