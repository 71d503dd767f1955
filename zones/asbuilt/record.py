"""What the record holds, as things: the other side of every comparison, and what is exported."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from typing import Any

from django.db.models import QuerySet

from sites.access.scope import Scope, scoped
from sites.changes.steps import last_step_of
from sites.models import ChangeSet, Coverage, Site
from zones.models import PagingSetZone, Test
from zones.plant.corrections import corrections_of

from .corrected_cells import CellsOfCorrections
from .formats import ALL, BY_NAME, SHARED, SITED, FileKind, Reference
from .formats.kinds import Sources, Values
from .things import Change, Facts, Thing, World


class Record:
    """Reads the record of some sites into a ``World``, and remembers which thing has which id."""

    def __init__(self, scope: Scope) -> None:
        self.world = World()
        self._scope = scope
        self._by_id: dict[str, dict[int, Thing]] = {kind.name: {} for kind in ALL}
        self._change_by_id: dict[int, Change] = {}

    def read_shared(self) -> None:
        """Read what belongs to no site: the catalogue, customers, contracts."""
        for kind in SHARED:
            if kind.model is not None:
                self._read_things(kind, scoped(kind.model, self._scope))

    def read_sites(self, sites: QuerySet[Site]) -> None:
        """All of ``sites`` (within the scope), after ``read_shared``."""
        kind = BY_NAME["sites"]
        rows = list(scoped(sites, self._scope).order_by("code").values(*_names(kind), "change_set_id"))
        for row in rows:
            self._keep(kind, None, (row["code"],), self._values(kind.own, row), row["id"])
        found = self._by_id["sites"]
        if not found:
            return
        self._read_changes()
        for row in rows:
            found[row["id"]].writer = self._writer(row)
        for kind in SITED:
            if kind.model is not None and kind.model is not Test:
                self._read_things(kind, kind.model._default_manager.filter(site_id__in=found))
            if kind.facts is not None:
                self._read_facts(kind, kind.facts._default_manager.filter(site_id__in=found))
        self._read_paging_sets()
        self._read_coverages()
        self._read_tests()

    def read_corrections(self) -> None:
        """What corrections rewrote, after ``read_sites``. One query."""
        cells = CellsOfCorrections(self.world, self._change_by_id, self._values, self._by_id, self._at)
        for site_id, corrections in corrections_of(self._by_id["sites"].keys()).items():
            self.world.corrected[self._by_id["sites"][site_id]] = cells.of_site(corrections)

    # -- rows to things

    def _keep(
        self, kind: FileKind, site: Thing | None, key: tuple[Any, ...], values: Values, id_: int
    ) -> Thing:
        thing = Thing(kind, site, key, values, id=id_, recorded=True)
        self.world.add(thing)
        self._by_id[kind.name][id_] = thing
        return thing

    def _values(self, sources: Sources, row: Values) -> Values:
        """Attributes of a row of the database, with things for ids."""
        values = {}
        for name, source in sources.items():
            value = row[name]
            if isinstance(source, Reference) and value is not None:
                value = self._by_id[source.to][value]
            values[name] = value
        return values

    def _key(self, kind: FileKind, row: Values) -> tuple[Any, ...]:
        return tuple(self._values(kind.key_sources, row).values())

    def _writer(self, row: Values) -> Change | None:
        return self._change_by_id.get(row["change_set_id"])

    def _at(self, site: Thing, step: int) -> Change:
        """The change set of a step; where a row was given a step of no change set, the last one before it."""
        changes = self.world.changes[site]
        return changes[max(bisect_right(changes, step, key=lambda change: change.order) - 1, 0)]

    # -- tables

    def _read_changes(self) -> None:
        found = self._by_id["sites"]
        names = tuple(BY_NAME["changes"].own)
        accepted = ChangeSet.objects.filter(site_id__in=found, state=ChangeSet.State.ACCEPTED)
        rows = accepted.order_by("site_id", "step").values("id", "site_id", "step", "recorded_at", *names)
        for row in rows:
            site, step = found[row["site_id"]], row["step"]
            values = {name: row[name] for name in names}
            change = Change(site, "", values, order=step, id=row["id"], step=step, recorded=True)
            change.recorded_at = row["recorded_at"]
            self.world.changes[site].append(change)
            self._change_by_id[row["id"]] = change

    def _read_things(self, kind: FileKind, rows: QuerySet[Any]) -> None:
        names = [*_names(kind)]
        if kind.sited:
            names += ["site_id", "change_set_id"]
        if kind.placed:
            names += ["begin_step", "end_step"]
        order = ["begin_step", "id"] if kind.placed else ["id"]
        for row in rows.order_by(*order).values(*dict.fromkeys(names)).iterator(chunk_size=5000):
            site = self._by_id["sites"][row["site_id"]] if kind.sited else None
            thing = self._keep(kind, site, self._key(kind, row), self._values(kind.own, row), row["id"])
            if site is not None:
                thing.writer = self._writer(row)
            if kind.placed and site is not None:
                thing.begin = self._at(site, row["begin_step"])
                thing.end = None if row["end_step"] is None else self._at(site, row["end_step"])

    def _read_facts(self, kind: FileKind, rows: QuerySet[Any]) -> None:
        subject = f"{kind.facts_of}_id"
        names = ["site_id", "change_set_id", "step", subject, *kind.dated]
        if kind.model is None:
            names += kind.key_sources
        ordered = rows.order_by("step", subject).values(*dict.fromkeys(names))
        for row in ordered.iterator(chunk_size=5000):
            site = self._by_id["sites"][row["site_id"]]
            if kind.model is not None:
                thing = self._by_id[kind.name][row[subject]]
            else:
                thing = self._without_row(kind, site, self._key(kind, row))
            change = self._at(site, row["step"])
            writer = self._writer(row) or change
            thing.facts.append(Facts(change, self._values(kind.dated, row), writer, recorded=True))
            if thing.begin is None:
                thing.begin = change

    def _without_row(self, kind: FileKind, site: Thing, key: tuple[Any, ...]) -> Thing:
        """The thing of this key; clips have no row of their own, and are made of their facts."""
        if not self.world.lives(kind.name, site, key):
            self.world.add(Thing(kind, site, key, recorded=True))
        return self.world.lives(kind.name, site, key)[0]

    def _read_paging_sets(self) -> None:
        members: dict[int, set[Thing]] = defaultdict(set)
        rows = PagingSetZone.objects.filter(site_id__in=self._by_id["sites"])
        for set_id, zone_id in rows.values_list("paging_set_id", "zone_id"):
            members[set_id].add(self._by_id["zones"][zone_id])
        for set_id, thing in self._by_id["paging_sets"].items():
            thing.values["zones"] = frozenset(members[set_id])

    def _read_coverages(self) -> None:
        found = self._by_id["sites"]
        rows = Coverage.objects.filter(site_id__in=found).order_by("id")
        for row in rows.values("id", "contract_id", "site_id", "days"):
            contract = self._by_id["contracts"].get(row["contract_id"])
            if contract is not None:  # else of a customer out of the reader's scope
                key = (contract, found[row["site_id"]], row["days"].lower)
                self._keep(BY_NAME["coverages"], None, key, {"covered_until": row["days"].upper}, row["id"])

    def _read_tests(self) -> None:
        kind = BY_NAME["tests"]
        names = [*_names(kind), "site_id", "change_set_id", "step", "supersedes_id"]
        rows = Test.objects.filter(site_id__in=self._by_id["sites"]).order_by("id")
        for row in rows.values(*dict.fromkeys(names)):
            site = self._by_id["sites"][row["site_id"]]
            values = self._values(kind.own, row)
            day_end = last_step_of(row["taken_on"])
            values["after"] = None if row["step"] == day_end else self._at(site, row["step"])
            values["supersedes"] = self._by_id["tests"].get(row["supersedes_id"])
            self._keep(kind, site, (), values, row["id"]).writer = self._writer(row)


def _names(kind: FileKind) -> tuple[str, ...]:
    return ("id", *kind.key_sources, *kind.own)
