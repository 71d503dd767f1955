"""From the record to files: the inverse of what importing makes of them."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from typing import Any

from zones.models import Test

from .cells import Estimate, Rows
from .formats import BY_NAME, SITED, Column, FileKind, Reference
from .formats.kinds import Sources, Values
from .things import Change, CorrectedCell, Facts, Thing, World

Cells = dict[str, str]


def shared_row(thing: Thing) -> Cells:
    """The row of a thing that belongs to no site."""
    return _written(thing.kind, _undated(thing))


def facts_cells(kind: FileKind, values: Values) -> Cells:
    """The dated cells of a row."""
    shown = _columns(kind, kind.dated, values) | (kind.show(values) if kind.show is not None else {})
    return {column.name: _cell(column, shown.get(column.name)) for column in kind.columns if column.dated}


def own_cells(kind: FileKind, values: Values) -> Cells:
    """The cells of a row that are not dated; ``values``: of its key too."""
    shown = _columns(kind, {**kind.key_sources, **kind.own}, values) | _zones(values)
    return {column.name: _cell(column, shown.get(column.name)) for column in kind.columns if not column.dated}


def name_cells(thing: Thing) -> Cells:
    """The cells of the columns that identify a thing within its site, or in the catalogue."""
    if thing.kind.name == "sites":
        return {}
    named = _named_key(thing)
    cells = {name: _cell(thing.kind.by_name[name], named.get(name)) for name in thing.kind.key_columns}
    return {name: cell for name, cell in cells.items() if cell}


class Exporter:
    """Rows of some sites, kind by kind."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._of_site: dict[tuple[Thing | None, str], list[Thing]] = defaultdict(list)
        for things in world.things.values():
            for thing in things:
                self._of_site[thing.site, thing.kind.name].append(thing)
        self._superseded = {thing.values["supersedes"] for thing in world.things["tests"]}
        self._keys: dict[Change, str] = {}
        self._test_keys: dict[Thing, str] = {}

    def of_site(self, site: Thing) -> Iterator[tuple[FileKind, Cells]]:
        """Every row of one site, with the kind that it is of."""
        self._name_changes(site)
        kind = BY_NAME["sites"]
        yield kind, _written(kind, _undated(site) | self._change("change", site.writer))
        for thing in self._world.things["coverages"]:
            if thing.key[1] is site:
                until = {"covered_until": thing.values["covered_until"]}
                yield thing.kind, _written(thing.kind, _named_key(thing) | until)
        kind = BY_NAME["changes"]
        # as they were recorded, so that they are recorded in that order again
        recorded = sorted(self._world.changes[site], key=lambda change: (change.recorded_at, change.id))
        for change in recorded:
            own = _columns(kind, kind.own, change.values)
            yield kind, _written(kind, own | self._change("change", change) | {"site": site.key[0]})
        for kind in SITED:
            for thing in _in_order(self._of_site[site, kind.name]):
                for values in self._rows(thing):
                    yield kind, _written(kind, {"site": site.key[0]} | values)
        kind = BY_NAME["corrections"]
        for cell in self._world.corrected[site]:
            yield kind, _written(kind, {"site": site.key[0]} | self._corrected(cell))

    def _corrected(self, cell: CorrectedCell) -> Values:
        since = cell.facts.change if cell.facts is not None else cell.thing.begin
        said: Values = {"column": cell.column}
        for name, text in (("before", cell.before), ("after", cell.after)):
            said[name] = self._keys[text] if isinstance(text, Change) else text
        named = [f"{name}={text}" for name, text in name_cells(cell.thing).items()]
        said |= {"file": cell.thing.kind.name, "thing": named}
        return said | self._change("change", cell.change) | self._change("held_since", since)

    def _name_changes(self, site: Thing) -> None:
        """A change is named by its day, and by its place in the day where that has several."""
        a_day = Counter(change.happened_on for change in self._world.changes[site])
        seen: Counter[Any] = Counter()
        for change in self._world.changes[site]:
            day = change.happened_on
            seen[day] += 1
            self._keys[change] = f"{day} {seen[day]}" if a_day[day] > 1 else str(day)

    def _change(self, column: str, change: Change | None) -> Values:
        return {} if change is None else {column: self._keys[change]}

    def _rows(self, thing: Thing) -> Iterator[Values]:
        kind = thing.kind
        if kind.name == "tests":
            yield self._test(thing)
            return
        first = _undated(thing) | _zones(thing.values)
        if thing.begin is None:
            yield first | self._change("change", thing.writer)
            return
        first |= self._change("ends", thing.end)
        usual = thing.end or (thing.facts[0].writer if thing.facts else thing.begin)
        if thing.writer is not usual and kind.model is not None:
            first |= self._change("described_by", thing.writer)
        if not thing.facts or thing.facts[0].change is not thing.begin:
            yield first | self._change("change", thing.begin)
            first = _named_key(thing)
        for facts in thing.facts:
            yield first | self._facts(thing, facts)
            first = _named_key(thing)

    def _facts(self, thing: Thing, facts: Facts) -> Values:
        kind = thing.kind
        values = self._change("change", facts.change) | _columns(kind, kind.dated, facts.values)
        if facts.writer is not facts.change:
            values |= self._change("revised_by", facts.writer)
        return values | (kind.show(facts.values) if kind.show is not None else {})

    def _test(self, thing: Thing) -> Values:
        superseded = thing.values["supersedes"]
        values = _undated(thing) | self._change("change", thing.writer)
        values |= self._change("after", thing.values["after"])
        if thing.values["state"] != Test.State.PAGING:
            values["signal"] = None
        if superseded is not None:
            values["supersedes"] = self._test_key(superseded)
        if thing in self._superseded:
            values["test"] = self._test_key(thing)
        return values

    def _test_key(self, thing: Thing) -> str:
        return self._test_keys.setdefault(thing, f"test {len(self._test_keys) + 1}")


def _in_order(things: list[Thing]) -> list[Thing]:
    """Points by run and rank, landings and clips by block and row, all else as it was recorded."""
    if not things or things[0].kind.name not in ("points", "landings", "clips"):
        return things

    def place(thing: Thing) -> tuple[Any, ...]:
        owner = thing.key[0]
        return owner.label, owner.id or 0, thing.values["rank"] if "rank" in thing.values else thing.key[1]

    return sorted(things, key=place)


# --- values by column ---------------------------------------------------------------------------------------


def _leaves(thing: Thing) -> list[Any]:
    """A thing's key as the columns of a reference to it hold it: names and numbers, owners first."""
    return [leaf for part in thing.key for leaf in (_leaves(part) if isinstance(part, Thing) else [part])]


def _named_key(thing: Thing) -> Values:
    sources = thing.kind.key_sources
    return _columns(thing.kind, sources, dict(zip(sources, thing.key, strict=True)))


def _undated(thing: Thing) -> Values:
    """Its key, and what its own row says."""
    return _named_key(thing) | _columns(thing.kind, thing.kind.own, thing.values)


def _zones(values: Values) -> Values:
    """The column of a paging set that is made of other rows."""
    return {"zones": sorted(zone.key[-1] for zone in values["zones"])} if "zones" in values else {}


def _columns(kind: FileKind, sources: Sources, values: Values) -> Values:
    found: Values = {}
    for attribute, source in sources.items():
        value = values.get(attribute)
        if isinstance(source, Reference):
            found |= {} if value is None else zip(source.columns, _leaves(value), strict=True)
        elif source is not None:
            found[source.name] = value
    for pair in kind.estimates:
        if found.get(pair.value) is not None:
            found[pair.value] = Estimate(found[pair.value])
        elif pair.value in found and not pair.optional:
            found[pair.basis] = None  # without a value its basis is unknown, and both are blank
    return found


# --- cells --------------------------------------------------------------------------------------------------


def _written(kind: FileKind, values: Values) -> Cells:
    return {column.name: _cell(column, values.get(column.name)) for column in kind.exported_columns}


def _cell(column: Column, value: Any) -> str:
    if value is None or value == [] or value == "":
        return ""
    if isinstance(column.cell, Rows):
        value = (value,)
    return column.cell.write(value)
