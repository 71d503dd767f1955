"""Where the subjects of findings stand and which zones hang on them, in a constant number of queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import JSONField, OuterRef, Q, QuerySet, Value
from django.db.models.functions import JSONObject

from sites.models import (
    Amplifier,
    Block,
    Endpoint,
    EndpointFacts,
    Output,
    Supply,
    Switch,
    SwitchPort,
)
from zones.electrical.subjects import SubjectKind
from zones.models import Landing, PointFacts, Run, RunFacts, ZoneEndpoint

Subject = tuple[int, int]
"""Subject kind and id."""


CLOSETS: Final[dict[SubjectKind, tuple[Any, str]]] = {
    SubjectKind.RUN: (Run, "block__closet_id"),
    SubjectKind.OUTPUT: (Output, "endpoint__closet_id"),
    SubjectKind.SUPPLY: (Supply, "closet_id"),
    SubjectKind.AMPLIFIER: (Amplifier, "closet_id"),
    SubjectKind.SWITCH: (Switch, "closet_id"),
    SubjectKind.PORT: (SwitchPort, "switch__closet_id"),
    SubjectKind.ENDPOINT: (Endpoint, "closet_id"),
    SubjectKind.BLOCK: (Block, "closet_id"),
}
"""By kind of subject, its model and the lookup that leads to its closet."""


@dataclass(frozen=True)
class Whereabouts:
    """closet_id: where to go; None: in no closet, or of a whole site. zone_ids: which zones hang on it."""

    closet_id: int | None
    zone_ids: tuple[int, ...]


def whereabouts_of(
    subjects: Iterable[tuple[int, Subject]], step: Mapping[int, int]
) -> dict[Subject, Whereabouts]:
    """By subject, its closet and zones. subjects: (site id, subject). step: by site, the one as of which."""
    wanted, sites = _by_kind(subjects)
    if not wanted:
        return {}
    return _Search(wanted, sites, step).found()


def zones_of(
    subjects: Iterable[tuple[int, Subject]], step: Mapping[int, int]
) -> dict[Subject, tuple[int, ...]]:
    """By subject, the zones that hang on it, as ``whereabouts_of``; in at most four queries."""
    wanted, sites = _by_kind(subjects)
    return {of: tuple(sorted(zones)) for of, zones in _Search(wanted, sites, step).zones().items()}


def _by_kind(subjects: Iterable[tuple[int, Subject]]) -> tuple[dict[int, set[int]], set[int]]:
    wanted: dict[int, set[int]] = defaultdict(set)
    sites = set()
    for site_id, (kind, subject_id) in subjects:
        wanted[kind].add(subject_id)
        sites.add(site_id)
    return wanted, sites


def _steps_on_blocks(landed: QuerySet[Landing]) -> ArraySubquery:
    """As an array, so that it costs no query of its own."""
    return ArraySubquery(
        landed.values(on=JSONObject(block="block_id", begin="begin_step", end="end_step")).distinct()
    )


class _Search:
    """Follows each kind to runs and endpoints, and those to zones."""

    def __init__(self, wanted: Mapping[int, set[int]], sites: Iterable[int], step: Mapping[int, int]) -> None:
        self.wanted = wanted
        self.sites = sites
        self.step = step

    def found(self) -> dict[Subject, Whereabouts]:
        closets = self._closets()
        zones = self.zones()
        return {
            (kind, pk): Whereabouts(closets.get((kind, pk)), tuple(sorted(zones[kind, pk])))
            for kind, ids in self.wanted.items()
            for pk in ids
        }

    def _ids(self, kind: SubjectKind) -> set[int]:
        return self.wanted.get(kind, set())

    def _closets(self) -> dict[Subject, int | None]:
        return {
            (int(kind), pk): closet_id
            for kind, (model, path) in CLOSETS.items()
            if self._ids(kind)
            for pk, closet_id in model._default_manager.filter(pk__in=self._ids(kind)).values_list("pk", path)
        }

    def zones(self) -> dict[Subject, set[int]]:
        zones: dict[Subject, set[int]] = defaultdict(set)
        endpoints = self._endpoints()
        heard = self._heard(set(endpoints))
        for endpoint_id, subjects in endpoints.items():
            for subject in subjects:
                zones[subject] |= heard[endpoint_id]
        fed, strays = self._special()
        of_supplies = {run_id for run_id, by in fed.items() if by & self._ids(SubjectKind.SUPPLY)}
        for row in self._runs(set(endpoints), of_supplies):
            served = strays.get(row["run_id"], set()) | ({row["zone_id"]} - {None})
            carrying: list[Subject] = [
                (SubjectKind.RUN, row["run_id"]),
                (SubjectKind.OUTPUT, row["output_id"]),
                (SubjectKind.SUPPLY, row["supply_id"]),
                (SubjectKind.AMPLIFIER, row["amplifier_id"]),
                (SubjectKind.BLOCK, row["run__block_id"]),
                *((SubjectKind.SUPPLY, supply_id) for supply_id in fed.get(row["run_id"], ())),
                *((SubjectKind.BLOCK, block_id) for block_id in self._lies_on(row)),
                *endpoints.get(row["output__endpoint_id"], ()),
            ]
            for subject in carrying:
                zones[subject] |= served
        return zones

    def _endpoints(self) -> dict[int, set[Subject]]:
        """The endpoints that some subject is or powers, each with those subjects."""
        found: dict[int, set[Subject]] = defaultdict(set)
        for pk in self._ids(SubjectKind.ENDPOINT):
            found[pk].add((SubjectKind.ENDPOINT, pk))
        ports, switches = self._ids(SubjectKind.PORT), self._ids(SubjectKind.SWITCH)
        if not ports and not switches:
            return found
        ever = EndpointFacts.objects.filter(Q(port_id__in=ports) | Q(port__switch_id__in=switches))
        rows = EndpointFacts.objects.filter(endpoint_id__in=ever.values("endpoint_id")).values(
            "site_id", "endpoint_id", "step", "port_id", "port__switch_id", "endpoint__end_step"
        )
        for row in self._holding(rows, "endpoint_id"):
            end = row["endpoint__end_step"]
            if end is not None and end <= self.step[row["site_id"]]:
                continue
            if row["port_id"] in ports:
                found[row["endpoint_id"]].add((SubjectKind.PORT, row["port_id"]))
            if row["port__switch_id"] in switches:
                found[row["endpoint_id"]].add((SubjectKind.SWITCH, row["port__switch_id"]))
        return found

    def _heard(self, endpoints: set[int]) -> dict[int, set[int]]:
        heard: dict[int, set[int]] = defaultdict(set)
        if endpoints:
            rows = ZoneEndpoint.objects.filter(endpoint_id__in=endpoints)
            for row in rows.values("site_id", "endpoint_id", "zone_id", "begin_step", "end_step"):
                step = self.step[row["site_id"]]
                if row["begin_step"] <= step and (row["end_step"] is None or step < row["end_step"]):
                    heard[row["endpoint_id"]].add(row["zone_id"])
        return heard

    def _special(self) -> tuple[dict[int, set[int]], dict[int, set[int]]]:
        """By run, the supplies that feed it in its midst, and the other zones that its devices hang in."""
        fed: dict[int, set[int]] = defaultdict(set)
        strays: dict[int, set[int]] = defaultdict(set)
        if self.wanted.keys() <= {int(SubjectKind.SITE)}:
            return fed, strays
        ever = PointFacts.objects.filter(
            Q(feed_supply_id__isnull=False) | Q(zone_id__isnull=False), site_id__in=self.sites
        )
        rows = PointFacts.objects.filter(point_id__in=ever.values("point_id")).values(
            "site_id", "point_id", "step", "run_id", "feed_supply_id", "zone_id"
        )
        for row in self._holding(rows, "point_id"):
            if row["feed_supply_id"] is not None:
                fed[row["run_id"]].add(row["feed_supply_id"])
            if row["zone_id"] is not None:
                strays[row["run_id"]].add(row["zone_id"])
        return fed, strays

    def _runs(self, endpoints: set[int], runs: set[int]) -> Iterable[dict[str, Any]]:
        blocks = self._ids(SubjectKind.BLOCK)
        # DC often has a block of its own: a run bears on every block that a conductor of it lies on
        landed = Landing.objects.filter(run_id=OuterRef("run_id"), block_id__in=blocks)
        ever = RunFacts.objects.filter(
            Q(run_id__in=self._ids(SubjectKind.RUN) | runs)
            | Q(output_id__in=self._ids(SubjectKind.OUTPUT))
            | Q(output__endpoint_id__in=endpoints)
            | Q(supply_id__in=self._ids(SubjectKind.SUPPLY))
            | Q(amplifier_id__in=self._ids(SubjectKind.AMPLIFIER))
            | Q(run__block_id__in=blocks)
            | Q(run__landings__block_id__in=blocks),
            site_id__in=self.sites,
        )
        on_blocks = _steps_on_blocks(landed) if blocks else Value([], output_field=JSONField())
        of_runs = RunFacts.objects.filter(run_id__in=ever.values("run_id"))
        rows = of_runs.annotate(landed=on_blocks).values(
            "site_id", "run_id", "step", "zone_id", "output_id", "supply_id", "amplifier_id", "run__block_id",
            "run__end_step", "output__endpoint_id", "landed",
        )  # fmt: skip
        return [
            row
            for row in self._holding(rows, "run_id")
            if row["run__end_step"] is None or self.step[row["site_id"]] < row["run__end_step"]
        ]

    def _lies_on(self, row: Mapping[str, Any]) -> set[int]:
        """The blocks in question that a conductor of a run lies on."""
        step = self.step[row["site_id"]]
        return {
            on["block"]
            for on in row["landed"] or ()
            if on["begin"] <= step and (on["end"] is None or step < on["end"])
        }

    def _holding(self, rows: Iterable[Any], thing: str) -> list[dict[str, Any]]:
        """Of dated facts, those that hold at the site's step."""
        last: dict[int, dict[str, Any]] = {}
        for row in rows:
            if row["step"] <= self.step[row["site_id"]]:
                known = last.get(row[thing])
                if known is None or known["step"] < row["step"]:
                    last[row[thing]] = row
        return list(last.values())
