"""Writes what resolving settled: change sets in the order of their days, then every table in one COPY a
batch of sites.

Each new row names its own change set, which the database holds it to; what ends, or is corrected, is
then updated within the change set that says so.
"""

from __future__ import annotations

import itertools
import json
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import nullcontext
from typing import Any

from django.db import connection, transaction
from django.db.models import Model
from psycopg import sql
from psycopg.types.range import Range

from sites.changes.making import bulk_lane, change_context
from sites.changes.services import Change as ChangeAsked
from sites.changes.services import open_change_set, open_change_sets
from sites.changes.steps import last_step_of
from sites.models import Coverage
from sites.models.access import User
from sites.models.changes import REWROTE, ChangeSet
from zones.models import PagingSetZone

from .formats import BY_NAME, SHARED, SITED, FileKind
from .formats.kinds import Values
from .resolving import Context
from .things import Change, Facts, Rewritten, Thing

SITES_A_BATCH = 100
KINDS = (BY_NAME["sites"], *SITED)
Progress = Callable[[int, int], None]
# The row of a model that these columns find, and what is written to it
Rewrite = tuple[type[Model], Values, Values]


class Writer:
    """One import's writing. Everything happens in the caller's transaction."""

    def __init__(self, context: Context, user: User | None, progress: Progress) -> None:
        self._importer = context.importer
        self._world = context.world
        self._user = user
        self._progress = progress
        self._of_site: dict[tuple[FileKind, Thing], list[Thing]] = defaultdict(list)
        self.written: Counter[str] = Counter()
        self.change_sets: list[ChangeSet] = []

    def write(self) -> None:
        self._write_shared()
        for kind in KINDS:
            for thing in self._world.things[kind.name]:
                if not thing.refused:
                    self._of_site[kind, thing.site or thing].append(thing)
        changes = self._new_changes()
        _reserve_ids([site for site in changes if site.id is None])
        sites = sorted(changes, key=_id)
        for start in range(0, len(sites), SITES_A_BATCH):
            batch = sites[start : start + SITES_A_BATCH]
            self._write_sites({site: changes[site] for site in batch})
            self._progress(start + len(batch), len(sites))
        self._write_coverages()

    def _new_changes(self) -> dict[Thing, list[Change]]:
        """The change sets to be accepted, by site; nothing of a site is written without one. Those that no
        row of changes.csv asks for are only accepted where something is written within them.
        """
        writers: set[Change | None] = set()
        for thing in itertools.chain(*self._of_site.values()):
            writers |= {thing.writer, thing.described, thing.ender}
            writers.update(facts.writer for facts in thing.facts)
        found = {}
        for site, changes in self._world.changes.items():
            new = [change for change in changes if not change.recorded and (change.row or change in writers)]
            if new and not site.refused:
                found[site] = sorted(new, key=lambda change: change.order)
        return found

    # -- what all sites share

    def _write_shared(self) -> None:
        new = {kind: things for kind in SHARED if (things := self._new(kind))}
        if not new:
            return
        with open_change_set(self._shared_change()) as change_set:
            for kind, things in new.items():
                _reserve_ids(things)
                assert kind.model is not None
                extra = {"version": 1}
                if hasattr(kind.model, "change_set"):
                    extra["change_set_id"] = change_set.pk
                _copy(kind.model, [_own_row(thing) | extra for thing in things])
                self.written[kind.name] += len(things)

    def _new(self, kind: FileKind) -> list[Thing]:
        return [thing for thing in self._world.things[kind.name] if not thing.recorded and not thing.refused]

    def _shared_change(self) -> ChangeAsked:
        importer = self._importer
        return ChangeAsked(
            site_id=None,
            user=self._user,
            actor=importer.actor,
            reason=importer.reason or "import of as-built files",
            happened_on=importer.now.date(),
            channel=ChangeSet.Channel.IMPORT,
        )

    def _write_coverages(self) -> None:
        new = self._new(BY_NAME["coverages"])
        ended = [thing for thing in self._world.things["coverages"] if _is_rewritten(thing)]
        if not new and not ended:
            return
        _reserve_ids(new)
        first_import = not any(thing.key[1].recorded for thing in (*new, *ended))
        lane = bulk_lane() if first_import else nullcontext()
        with transaction.atomic(), lane, open_change_set(self._shared_change()):
            _copy(Coverage, [_coverage_row(thing) for thing in new])
            for thing in ended:
                Coverage.objects.filter(pk=_id(thing)).update(days=_days(thing))
        self.written["coverages"] += len(new) + len(ended)

    # -- sites

    def _write_sites(self, by_site: dict[Thing, list[Change]]) -> None:
        changes = [change for of_site in by_site.values() for change in of_site]
        asked = [
            ChangeAsked(site_id=change.site.id, user=self._user, quiet=change.quiet, **change.values)
            for change in changes
        ]
        for change, id_ in zip(changes, _next_ids(ChangeSet, len(changes)), strict=True):
            change.id = id_
        for kind in SITED:
            if kind.model is not None:
                _reserve_ids([one for one in self._things(kind, list(by_site)) if not one.recorded])
        kept = {_id(change): _rewrote(change) for change in changes}
        lane = bulk_lane() if all(change.quiet for change in changes) else nullcontext()
        with transaction.atomic(), lane, open_change_sets(asked, kept) as accepted:
            for change, change_set in zip(changes, accepted, strict=True):
                change.step = change_set.step
            self.change_sets += accepted
            self.written["changes"] += len(accepted)
            sites, change_sets = list(by_site), {change_set.pk: change_set for change_set in accepted}
            # Facts hold no longer than their thing: what ends is ended before older facts of it are written
            self._end(sites, change_sets, recorded=True)
            self._insert(sites)
            self._correct(sites, change_sets)
            self._end(sites, change_sets, recorded=False)
            self._rewrite(sites, change_sets)

    def _things(self, kind: FileKind, sites: Sequence[Thing]) -> list[Thing]:
        return [thing for site in sites for thing in self._of_site.get((kind, site), ())]

    def _insert(self, sites: Sequence[Thing]) -> None:
        """Every new row of ``sites``, table by table, in an order in which each finds what it refers to."""
        for kind in KINDS:
            things = self._things(kind, sites)
            new = [thing for thing in things if not thing.recorded]
            if kind.model is not None:
                _copy(kind.model, [_thing_row(thing) for thing in new])
            if kind.name == "paging_sets":
                _copy(PagingSetZone, [row for thing in new for row in _members(thing, thing.values["zones"])])
            facts = [(thing, one) for thing in things for one in thing.facts if not one.recorded]
            if kind.facts is not None:
                _copy(kind.facts, [_facts_row(thing, one) for thing, one in facts])
            self.written[kind.name] += len(new) if kind.facts is None else len(facts)

    def _correct(self, sites: Sequence[Thing], change_sets: dict[int, ChangeSet]) -> None:
        """New facts that corrections rewrote come with their last values: the correction that wrote those
        takes them over, in one statement a table. What it rewrote is kept with it (``_rewrote``)."""
        rows: dict[Change, dict[type[Model], list[Values]]] = defaultdict(lambda: defaultdict(list))
        for kind in KINDS:
            for thing in self._things(kind, sites):
                for facts in thing.facts:
                    if facts.first is not None and kind.facts is not None:
                        key = _facts_key(thing) | {"step": _step(facts.change)}
                        rows[facts.writer][kind.facts].append(key)
        for change in sorted(rows, key=_id):
            with change_context(change_sets[_id(change)], more_follows=True):
                for model, keys in rows[change].items():
                    _take_over(model, keys, _id(change))

    def _end(self, sites: Sequence[Thing], change_sets: dict[int, ChangeSet], *, recorded: bool) -> None:
        """What ends, of the things that the record had or of the new ones."""
        ends: dict[tuple[Change, FileKind, Change], list[int | None]] = defaultdict(list)
        for kind in KINDS:
            for thing in self._things(kind, sites):
                if thing.end is None or thing.ender is None or thing.described is not None:
                    continue
                if thing.recorded == recorded:
                    ends[thing.ender, kind, thing.end].append(thing.id)
                    self.written[kind.name] += recorded
        updates: dict[Change, list[Rewrite]] = defaultdict(list)
        for (change, kind, end), ids in ends.items():
            if kind.model is not None:
                updates[change].append((kind.model, {"pk__in": ids}, {"end_step": end.step}))
        self._write(updates, change_sets, more_follows=recorded)

    def _rewrite(self, sites: Sequence[Thing], change_sets: dict[int, ChangeSet]) -> None:
        """What is corrected."""
        rewrites: dict[Change, list[Rewrite]] = defaultdict(list)
        for kind in KINDS:
            for thing in self._things(kind, sites):
                for change, rewrite in self._rewrites(thing):
                    rewrites[change].append(rewrite)
        self._write(rewrites, change_sets)

    @staticmethod
    def _write(
        updates: dict[Change, list[Rewrite]], change_sets: dict[int, ChangeSet], *, more_follows: bool = False
    ) -> None:
        """Write each within its own change set."""
        for change, rows in updates.items():
            with change_context(change_sets[_id(change)], more_follows=more_follows):
                for model, key, values in rows:
                    model._default_manager.filter(**key).update(**values, change_set_id=change.id)

    def _rewrites(self, thing: Thing) -> Iterator[tuple[Change, Rewrite]]:
        """The rows of a thing that are written again, and within which change."""
        kind = thing.kind
        if kind.model is not None and thing.described and thing.described is not thing.writer:
            yield thing.described, (kind.model, {"pk": thing.id}, {})
        if kind.model is not None and thing.writer and _is_rewritten(thing):
            yield thing.writer, (kind.model, {"pk": thing.id}, _plain(thing.values))
            if kind.name == "paging_sets":
                self._add_members(thing)
            self.written[kind.name] += 1
        for facts in thing.facts:
            if kind.facts is not None and _is_rewritten(facts):
                key = _facts_key(thing) | {"step": _step(facts.change)}
                yield facts.writer, (kind.facts, key, _plain(facts.values))
                self.written[kind.name] += 1

    @staticmethod
    def _add_members(thing: Thing) -> None:
        held = set(PagingSetZone.objects.filter(paging_set_id=thing.id).values_list("zone_id", flat=True))
        added = [zone for zone in thing.values["zones"] if zone.id not in held]
        _copy(PagingSetZone, _members(thing, added))


# --- rows ---------------------------------------------------------------------------------------------------


def _id(one: Change | Thing | None) -> int:
    assert one is not None
    assert one.id is not None
    return one.id


def _step(change: Change | None) -> int:
    assert change is not None
    assert change.step is not None
    return change.step


def _plain(values: Values) -> Values:
    """Attributes as columns of the database: ids for things."""
    return {
        name: (value.id if isinstance(value, Thing) else value)
        for name, value in values.items()
        if name not in ("zones", "after", "supersedes")
    }


def _key_values(thing: Thing) -> Values:
    return _plain(dict(zip(thing.kind.key_sources, thing.key, strict=True)))


def _is_rewritten(one: Thing | Facts) -> bool:
    """Whether rows that are not refused correct what is recorded."""
    return one.rewritten and one.row is not None and not one.row.is_refused()


def _own_row(thing: Thing) -> Values:
    return {"id": thing.id} | _key_values(thing) | _plain(thing.values)


def _rewrote(change: Change) -> list[Values]:
    """What a change rewrote, as its operations keep it: nothing is written as it was before, since what was
    recorded later fits the last values alone."""
    rows = [one for one in change.rewrote if not one.thing.refused]
    kept: dict[str, list[Values]] = defaultdict(list)
    for row in rows:
        since: Values = {} if row.facts is None else {"since": _id(row.facts.change)}
        before, after = _kept(row, row.before), _kept(row, row.after)
        if row.ends is not None:
            ended = zip(("before", "after"), row.ends, strict=True)
            since["ended"] = {name: _id(end) for name, end in ended if end is not None}
        kept[_table(row)].append({"before": before, "after": after, **since})
    return [{"op": REWROTE, "table": table, "rows": rewritten} for table, rewritten in kept.items()]


def _table(row: Rewritten) -> str:
    model = row.thing.kind.model if row.facts is None else row.thing.kind.facts
    assert model is not None
    return model._meta.db_table


def _kept(row: Rewritten, values: Values) -> Values:
    """A row as the change record keeps rows: without what is NULL."""
    if row.facts is None:
        kept = {"id": row.thing.id} | _plain(values)
    else:
        kept = _facts_key(row.thing) | _facts_values(row.thing, values)
    kept["site_id"] = None if row.thing.site is None else row.thing.site.id
    return {name: value for name, value in kept.items() if value is not None}


def _thing_row(thing: Thing) -> Values:
    row = _own_row(thing) | {"change_set_id": _id(thing.writer)}
    if thing.site is not None:
        row["site_id"] = _id(thing.site)
    if thing.kind.placed:
        # With its end, since a name stands once at a time, and nothing outlasts what it names. The change set
        # that ended it then writes the same end
        row |= {"begin_step": _step(thing.begin), "end_step": _step(thing.end) if thing.end else None}
    if thing.kind.name == "tests":
        after = thing.values["after"]
        row["step"] = _step(after) if after else last_step_of(thing.values["taken_on"])
        row["supersedes_id"] = thing.values["supersedes"].id if thing.values["supersedes"] else None
    return row


def _facts_key(thing: Thing) -> Values:
    """What facts are found by: the thing, or for a kind without rows of its own, its key."""
    if thing.kind.model is None:
        return _key_values(thing)
    return {f"{thing.kind.facts_of}_id": thing.id}


def _facts_row(thing: Thing, facts: Facts) -> Values:
    row = _facts_key(thing) | _facts_values(thing, facts.values)
    writer = facts.first or facts.writer
    return row | {"site_id": _id(thing.site), "change_set_id": _id(writer), "step": _step(facts.change)}


def _facts_values(thing: Thing, values: Values) -> Values:
    row = _plain(values)
    if thing.kind.name == "points":
        parent = values["parent_id"]
        row |= {"run_id": thing.key[0].id, "rank": thing.values["rank"]}
        row["parent_rank"] = None if parent is None else parent.values["rank"]
    return row


def _members(thing: Thing, zones: Iterable[Thing]) -> list[Values]:
    row = {"site_id": _id(thing.site), "paging_set_id": thing.id}
    return [
        row | {"zone_id": zone.id, "change_set_id": _id(thing.joined.get(zone, thing.writer))}
        for zone in sorted(zones, key=_id)
    ]


def _days(coverage: Thing) -> Range[Any]:
    return Range(coverage.key[2], coverage.values["covered_until"], "[)")


def _coverage_row(thing: Thing) -> Values:
    return {"id": thing.id, "contract_id": thing.key[0].id, "site_id": thing.key[1].id, "days": _days(thing)}


# --- database -----------------------------------------------------------------------------------------------


def _reserve_ids(things: Sequence[Thing]) -> None:
    """Take ids for things yet to be written, so that what refers to them can be written with them."""
    for kind, same in itertools.groupby(things, key=lambda thing: thing.kind):
        chosen = list(same)
        assert kind.model is not None
        for thing, new in zip(chosen, _next_ids(kind.model, len(chosen)), strict=True):
            thing.id = new


def _next_ids(model: type[Model], count: int) -> list[int]:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT nextval(pg_get_serial_sequence(%s, 'id')) FROM generate_series(1, %s)",
            [f'"{model._meta.db_table}"', count],
        )
        return [new for (new,) in cursor.fetchall()]


def _take_over(model: type[Model], keys: Sequence[Values], change_set_id: int) -> None:
    """Let a change set be the last that wrote the rows of ``keys``, in one statement."""
    statement = sql.SQL(
        "UPDATE {table} t SET change_set_id = %s "
        "FROM jsonb_populate_recordset(NULL::{table}, %s::jsonb) n WHERE {keys}"
    ).format(
        table=sql.Identifier(model._meta.db_table),
        keys=sql.SQL(" AND ").join(sql.SQL("t.{0} = n.{0}").format(sql.Identifier(name)) for name in keys[0]),
    )
    with connection.cursor() as cursor:
        cursor.execute(statement, [change_set_id, json.dumps(keys)])


def _copy(model: type[Model], rows: Sequence[Values]) -> None:
    """COPY rows, each with the same columns, into the table of a model."""
    if not rows:
        return
    columns = list(rows[0])
    # A column may keep the name that the last release reads
    named: dict[str, Any] = {field.attname: field.column for field in model._meta.concrete_fields}
    statement = sql.SQL("COPY {} ({}) FROM STDIN").format(
        sql.Identifier(model._meta.db_table),
        sql.SQL(", ").join(sql.Identifier(named[column]) for column in columns),
    )
    # Django turns the driver's errors into its own for execute() only
    with connection.wrap_database_errors, connection.cursor() as cursor, cursor.copy(statement) as copy:
        for row in rows:
            copy.write_row([row[column] for column in columns])
