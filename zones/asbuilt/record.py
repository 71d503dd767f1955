"""What the record holds, as things: the other side of every comparison, and what is exported."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any

from django.db.models import Model, QuerySet

from sites.access.scope import Scope, scoped
from sites.changes.steps import last_step_of
from sites.models import ChangeSet, Coverage, Site
from zones.models import PagingSetZone, Reading

from .formats import ALL, BY_NAME, FileKind
from .formats.kinds import Values
from .things import Change, Facts, Steps, Thing, World, order_within_day

_SPECIAL = {"sites", "coverages", "changes", "readings"}


class Record:
    """Reads the record of some sites into a ``World``, and remembers which thing has which id."""

    def __init__(self, scope: Scope) -> None:
        self.world = World()
        self._scope = scope
        self._by_id: dict[str, dict[int, Thing]] = {kind.name: {} for kind in ALL}
        self._steps: dict[Thing, Steps] = {}
        self._change_by_id: dict[int, Change] = {}

    def read_shared(self) -> None:
        """What is of no site: the catalogue, customers, contracts."""
        for kind in ALL:
            if not kind.sited and kind.name not in _SPECIAL:
                self._read_things(kind, scoped(_model(kind), self._scope), {})

    def read_sites(self, sites: QuerySet[Site]) -> None:
        """All of ``sites`` (within the scope), after ``read_shared``."""
        found = self._read_site_rows(scoped(sites, self._scope))
        if not found:
            return
        self._read_changes(found)
        for row in list(found.values()):
            row.writer = self._change_by_id.get(row.values.pop("change_set_id"))
        for kind in ALL:
            if kind.sited and kind.name not in _SPECIAL:
                if kind.model is not None:
                    self._read_things(kind, kind.model._default_manager.filter(site_id__in=found), found)
                if kind.facts is not None:
                    self._read_facts(kind, found)
        self._read_paging_sets(found)
        self._read_coverages(found)
        self._read_readings(found)

    def _thing(self, kind: str, id_: int | None) -> Thing | None:
        return None if id_ is None else self._by_id[kind][id_]

    def _keep(self, thing: Thing) -> None:
        self.world.add(thing)
        if thing.id is not None:
            self._by_id[thing.kind.name][thing.id] = thing

    def _values(self, kind: FileKind, names: Sequence[str], row: Values) -> Values:
        """The attributes ``names`` of a row of the database, with things for ids."""
        values = {}
        for name in names:
            reference = kind.reference_in(name)
            values[name] = self._thing(reference.to, row[name]) if reference else row[name]
        return values

    def _read_site_rows(self, sites: QuerySet[Site]) -> dict[int, Thing]:
        kind = BY_NAME["sites"]
        found = {}
        for row in sites.order_by("code").values("id", "change_set_id", "code", *kind.own):
            values = self._values(kind, kind.own, row) | {"change_set_id": row["change_set_id"]}
            thing = Thing(kind, None, (row["code"],), values, id=row["id"], recorded=True)
            self._keep(thing)
            found[row["id"]] = thing
        return found

    def _read_changes(self, found: dict[int, Thing]) -> None:
        names = [name for name in BY_NAME["changes"].own if name != "happened_on"]
        rows = ChangeSet.objects.filter(site_id__in=found, state=ChangeSet.State.ACCEPTED).order_by(
            "site_id", "step"
        )
        for row in rows.values("id", "site_id", "step", "happened_on", *names):
            site = found[row["site_id"]]
            values = {name: row[name] for name in names}
            change = Change(
                site,
                "",
                row["happened_on"],
                values,
                order_within_day(row["step"]),
                id=row["id"],
                step=row["step"],
                recorded=True,
            )
            self.world.changes[site].append(change)
            self._change_by_id[change.id or 0] = change
        for site in found.values():
            self._steps[site] = Steps(self.world.changes[site])

    def _writer(self, row: Values) -> Change | None:
        return self._change_by_id.get(row["change_set_id"])

    def _read_things(self, kind: FileKind, rows: QuerySet[Any], found: dict[int, Thing]) -> None:
        names = ["id", *kind.key_attributes, *kind.own]
        if kind.sited:
            names += ["site_id", "change_set_id"]
        if kind.placed:
            names += ["begin_step", "end_step"]
        order = ["begin_step", "id"] if kind.placed else ["id"]
        for row in rows.order_by(*order).values(*dict.fromkeys(names)).iterator(chunk_size=5000):
            site = found[row["site_id"]] if kind.sited else None
            key = tuple(self._values(kind, kind.key_attributes, row).values())
            thing = Thing(kind, site, key, self._values(kind, kind.own, row), id=row["id"], recorded=True)
            if site is not None:
                thing.writer = self._writer(row)
            if kind.placed and site is not None:
                thing.begin = self._steps[site].at(row["begin_step"])
                thing.end = None if row["end_step"] is None else self._steps[site].at(row["end_step"])
            self._keep(thing)

    def _read_facts(self, kind: FileKind, found: dict[int, Thing]) -> None:
        assert kind.facts is not None
        own_key = f"{kind.facts_of}_id"
        names = ["site_id", "change_set_id", "step", own_key, *kind.dated]
        subject_parts = kind.key_attributes if kind.model is None else ()
        rows = kind.facts._default_manager.filter(site_id__in=found).order_by("step", own_key)
        for row in rows.values(*dict.fromkeys([*names, *subject_parts])).iterator(chunk_size=5000):
            site = found[row["site_id"]]
            thing = self._subject(kind, site, row, own_key)
            change = self._steps[site].at(row["step"])
            writer = self._writer(row) or change
            thing.facts.append(Facts(change, self._values(kind, kind.dated, row), writer, recorded=True))
            if thing.begin is None:
                thing.begin = change

    def _subject(self, kind: FileKind, site: Thing, row: Values, own_key: str) -> Thing:
        """The thing that facts are about; clips have no row of their own and are made here."""
        if kind.model is not None:
            return self._by_id[kind.name][row[own_key]]
        key = tuple(self._values(kind, kind.key_attributes, row).values())
        lives = self.world.lives(kind.name, site, key)
        if not lives:
            self.world.add(Thing(kind, site, key, recorded=True))
            lives = self.world.lives(kind.name, site, key)
        return lives[0]

    def _read_paging_sets(self, found: dict[int, Thing]) -> None:
        members: dict[int, set[Thing]] = defaultdict(set)
        rows = PagingSetZone.objects.filter(site_id__in=found).values_list("paging_set_id", "zone_id")
        for set_id, zone_id in rows:
            members[set_id].add(self._by_id["zones"][zone_id])
        for set_id, thing in self._by_id["paging_sets"].items():
            thing.values["zones"] = frozenset(members[set_id])

    def _read_coverages(self, found: dict[int, Thing]) -> None:
        kind = BY_NAME["coverages"]
        for row in (
            Coverage.objects.filter(site_id__in=found)
            .order_by("id")
            .values("id", "contract_id", "site_id", "days")
        ):
            days = row["days"]
            contract = self._by_id["contracts"].get(row["contract_id"])
            if contract is None:  # of a customer out of the reader's scope
                continue
            key = (contract, found[row["site_id"]], days.lower)
            self._keep(Thing(kind, None, key, {"covered_until": days.upper}, id=row["id"], recorded=True))

    def _read_readings(self, found: dict[int, Thing]) -> None:
        kind = BY_NAME["readings"]
        names = ["id", "site_id", "change_set_id", "step", "supersedes_id", *kind.own]
        for row in Reading.objects.filter(site_id__in=found).order_by("id").values(*dict.fromkeys(names)):
            site = found[row["site_id"]]
            values = self._values(kind, kind.own, row)
            day_end = last_step_of(row["taken_on"])
            values["after"] = None if row["step"] == day_end else self._steps[site].at(row["step"])
            values["supersedes"] = self._thing("readings", row["supersedes_id"])
            self._keep(Thing(kind, site, (), values, writer=self._writer(row), id=row["id"], recorded=True))


def _model(kind: FileKind) -> type[Model]:
    assert kind.model is not None
    return kind.model
