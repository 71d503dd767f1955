"""Loads as people ask for them: of a site, of a zone, on a day, with headroom.

Nothing here computes a load: it reads what the last recheck found, or reads a plant and evaluates it, and
says how far each figure is from its limit.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass
from functools import cached_property
from operator import attrgetter
from typing import Any, Final

from django.db import connection

from sites.changes.steps import first_step_after
from sites.models import Site
from zones.electrical.bearing import bearing
from zones.electrical.calibration import Anchoring, anchor
from zones.electrical.estimates import Estimate, Estimates, estimates_of
from zones.electrical.evaluate import SOLVER_VERSION, Evaluation, evaluate, subject_ids
from zones.electrical.plant import Members, Plant
from zones.electrical.point_loads import point_loads
from zones.electrical.subjects import Subject, SubjectKind
from zones.electrical.verdicts import Verdict
from zones.limits.registry import LIMITS, RULES, limit_by_code
from zones.plant.selectors import read_plant
from zones.recheck.stored_results import without_repeats


@dataclass(frozen=True)
class Load:
    """One figure against one limit. Headroom is the share of the limit that is left, negative past it; None
    where the limit is zero, the figure counts faults or is within a limit that is never near, or something is
    not known or has no number. Each estimate has its own limit, and the place that decides it."""

    code: str
    subject_kind: SubjectKind
    subject_id: int
    estimates: Estimates
    verdict: Verdict
    headroom_likely: float | None
    headroom_worst: float | None
    supported: float | None

    @property
    def low(self) -> float | None:
        return self.estimates.low.value

    @property
    def likely(self) -> float | None:
        return self.estimates.likely.value

    @property
    def high(self) -> float | None:
        return self.estimates.high.value

    @property
    def limit(self) -> float | None:
        """Limit of the likely estimate."""
        return self.estimates.likely.limit

    @property
    def detail(self) -> int | None:
        """Id of the point, row or reading that decides the likely estimate."""
        return self.estimates.likely.detail

    @property
    def tightness(self) -> tuple[float, float]:
        """Sorts the least headroom first; what has no stable solution before all others, what is not known
        after them."""
        if self.estimates.likely.overloaded:
            return -math.inf, -math.inf
        return (
            math.inf if self.headroom_likely is None else self.headroom_likely,
            math.inf if self.headroom_worst is None else self.headroom_worst,
        )

    @property
    def subject(self) -> Subject:
        return self.subject_kind, self.subject_id


@dataclass(frozen=True, eq=False)
class Loads:
    """The loads of a site on a day, what could not be computed, and by zone the subjects that bear on it; of
    one zone alone where only that was asked. length_unit: in which the site counts. jurisdiction: whose
    wiring rules hold there; None: not recorded."""

    site_id: int
    as_of: dt.date
    length_unit: str
    jurisdiction: str | None
    loads: tuple[Load, ...]
    problems: tuple[tuple[Subject, str], ...]
    bearing: Mapping[int, Set[Subject]]

    def of(self, subjects: Iterable[Subject]) -> tuple[Load, ...]:
        """The loads of some subjects, worst verdict first and then least headroom."""
        wanted = set(subjects)
        chosen = [load for load in self.loads if load.subject in wanted]
        return tuple(sorted(chosen, key=_severity))

    def problems_of(self, subjects: Iterable[Subject]) -> tuple[tuple[Subject, str], ...]:
        """What could not be computed of some subjects, and why."""
        wanted = set(subjects)
        return tuple((subject, reason) for subject, reason in self.problems if subject in wanted)


@dataclass(frozen=True, eq=False)
class SitePlant:
    """What the loads of a site are computed from. members: the whole site as of the end of a day."""

    site_id: int
    plant: Plant
    anchoring: Anchoring
    members: Members

    @cached_property
    def site(self) -> Site:
        return Site.objects.get(pk=self.site_id)

    @property
    def length_unit(self) -> str:
        """In which the site counts."""
        return self.site.length_unit


@dataclass(frozen=True, eq=False)
class SiteLoads(Loads):
    """The loads of a whole site with what they were computed from. ``evaluation`` has a row for each of
    ``loads``, in the same order."""

    plant: Plant
    anchoring: Anchoring
    members: Members
    evaluation: Evaluation


def loads_on(
    site_id: int, as_of: dt.date, *, zone_id: int | None = None, subject: Subject | None = None
) -> Loads:
    """The loads of a site as of the end of a day, as known now. zone_id, subject: that only those of this
    zone or thing are asked; others may be among them.

    Today's are read, where the last recheck left what evaluating the site now would give; those of any other
    day are computed.
    """
    return _stored_loads(site_id, as_of, zone_id, subject) or site_loads(site_id, as_of)


def site_plant(site_id: int, as_of: dt.date) -> SitePlant:
    """Read a site as of the end of a day, as known now; the loads of its points as readings scale them."""
    plant = read_plant([site_id])
    members = Members.of_sites(plant, first_step_after(as_of) - 1)
    return SitePlant(site_id, plant, anchor(plant, point_loads(plant)), members)


def site_loads(site_id: int, as_of: dt.date) -> SiteLoads:
    """Evaluate a site as of the end of a day, as known now."""
    read = site_plant(site_id, as_of)
    plant, members, anchoring = read.plant, read.members, read.anchoring
    found = without_repeats(evaluate(plant, members, RULES, anchoring=anchoring))
    bears = bearing(plant, members)
    of_zones: dict[int, set[Subject]] = defaultdict(set)
    for zone, kind, subject_id in zip(
        bears.zone_id.tolist(), bears.subject_kind.tolist(), bears.subject_id.tolist(), strict=True
    ):
        of_zones[zone].add((kind, subject_id))
    columns = (
        [found.rules[rule].code for rule in found.rule],
        found.subject_kind.tolist(),
        found.subject_id.tolist(),
        found.verdict.tolist(),
        found.supported.tolist(),
        found.estimates(),
    )
    return SiteLoads(
        site_id=site_id,
        as_of=as_of,
        length_unit=read.length_unit,
        jurisdiction=read.site.jurisdiction,
        plant=plant,
        anchoring=anchoring,
        members=members,
        evaluation=found,
        loads=tuple(_load(*row) for row in zip(*columns, strict=True)),
        problems=tuple(
            ((one.subject_kind, int(subject_ids(plant, one.subject_kind)[one.subject])), one.reason)
            for one in found.problems
        ),
        bearing=of_zones,
    )


def smallest_headroom(loads: Iterable[Load]) -> Load | None:
    """The load with the least likely headroom, where any is known; one without a stable solution has
    none."""
    return min(
        (load for load in loads if load.tightness[0] < math.inf),
        key=attrgetter("tightness"),
        default=None,
    )


# It is current for the site's today where nothing was written or fell due since the last recheck, and that
# one went well, could compute all of the site, and used the formulas of this process. One statement, so that
# figures and zones are of one recheck
_STORED: Final = """
WITH current AS MATERIALIZED (
    SELECT EXISTS (
        SELECT FROM site JOIN site_check c ON c.site_id = site.id
        WHERE site.id = %(site)s AND (now() AT TIME ZONE site.time_zone)::date = %(day)s
            AND c.as_of <= %(day)s AND c.solver_version = %(solver)s AND c.failures = 0
            AND c.not_computed = 0
            AND NOT EXISTS (SELECT FROM mark WHERE mark.site_id = site.id)
            AND NOT EXISTS (SELECT FROM due_date d WHERE d.site_id = site.id AND d.at <= now())
    ) AS yes
), bears AS (
    SELECT subject_kind, subject_id, array_agg(zone_id) AS zones FROM zone_subject
    WHERE site_id = %(site)s AND (%(zone)s::bigint IS NULL OR zone_id = %(zone)s)
        AND (%(kind)s::int IS NULL OR (subject_kind, subject_id) = (%(kind)s, %(subject)s))
    GROUP BY 1, 2
)
SELECT length_unit, jurisdiction, yes, subject_kind, subject_id, zones, codes, verdict, supported,
    low, likely, high, low_limit, limit_value, high_limit, low_detail, detail, high_detail, overloaded, bounds
FROM current LEFT JOIN site AS of_all ON of_all.id = %(site)s LEFT JOIN (
    bears FULL JOIN (
        SELECT * FROM figures WHERE site_id = %(site)s
            AND (%(kind)s::int IS NULL OR (subject_kind, subject_id) = (%(kind)s, %(subject)s))
    ) AS f USING (subject_kind, subject_id)
) ON yes AND (%(zone)s::bigint IS NULL OR zones IS NOT NULL)
"""


def _stored_loads(site_id: int, as_of: dt.date, zone_id: int | None, subject: Subject | None) -> Loads | None:
    """What the last recheck found; None where that is not what evaluating the site now would give."""
    kind, subject_id = (None, None) if subject is None else subject
    asked: dict[str, Any] = {
        "site": site_id,
        "day": as_of,
        "solver": SOLVER_VERSION,
        "zone": zone_id,
        "kind": kind,
        "subject": subject_id,
    }
    with connection.cursor() as cursor:
        cursor.execute(_STORED, asked)
        rows = cursor.fetchall()
    unit, jurisdiction, is_current = rows[0][:3]
    if not is_current:
        return None
    of_zones: dict[int, set[Subject]] = defaultdict(set)
    loads = []
    for _, _, _, kind, subject_id, zones, codes, *columns in rows:
        for zone in zones or ():
            of_zones[zone].add((kind, subject_id))
        for code, verdict, share, *estimates in zip(
            codes or (), *(column or () for column in columns), strict=True
        ):
            loads.append(_load(code, kind, subject_id, verdict, share, estimates_of(*estimates)))
    return Loads(site_id, as_of, unit, jurisdiction, tuple(loads), (), of_zones)


def _load(
    code: str,
    kind: int,
    subject_id: int,
    verdict: int,
    supported: float | None,
    estimates: Estimates,
) -> Load:
    of = limit_by_code(code)

    def headroom(one: Estimate) -> float | None:
        return None if one.value is None or one.limit is None else of.headroom(one.value, one.limit)

    return Load(
        code=code,
        subject_kind=SubjectKind(kind),
        subject_id=subject_id,
        estimates=estimates,
        verdict=Verdict(verdict),
        headroom_likely=headroom(estimates.likely),
        headroom_worst=headroom(estimates.high),
        supported=known(supported),
    )


def known(value: float | None) -> float | None:
    """The value; None where it is not known or infinite."""
    return value if value is not None and math.isfinite(value) else None


_PLACE_OF: Final = {limit.code: place for place, limit in enumerate(LIMITS)}


def _severity(load: Load) -> tuple[int, float, int, int, int]:
    """Sort key, worst first. Equal loads come in the order of the registry and of their ids."""
    return -load.verdict, load.tightness[0], _PLACE_OF[load.code], load.subject_kind, load.subject_id
