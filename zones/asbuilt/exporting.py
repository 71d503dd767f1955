"""From the record to files: the inverse of what importing makes of them."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from typing import Any

from .cells import Estimate, Rows
from .formats import ALL, BY_NAME, Column, FileKind
from .formats.kinds import Values
from .things import Change, Facts, Thing, World

Cells = dict[str, str]


class Exporter:
    """Rows of some sites, or of what all sites share, kind by kind."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._of_site: dict[tuple[Thing | None, str], list[Thing]] = defaultdict(list)
        for things in world.things.values():
            for thing in things:
                self._of_site[thing.site, thing.kind.name].append(thing)
        self._superseded = {thing.values["supersedes"] for thing in world.things["readings"]}
        self._keys: dict[Change, str] = {}
        self._reading_keys: dict[Thing, str] = {}

    def shared(self, kind: FileKind, chosen: set[Thing] | None) -> Iterator[Cells]:
        """Rows of a kind that is of no site; ``chosen``: only these."""
        for thing in self._world.things[kind.name]:
            if chosen is None or thing in chosen:
                yield _written(kind, _named_key(thing) | _own(thing))

    def of_site(self, site: Thing) -> Iterator[tuple[FileKind, Cells]]:
        """Every row of one site, with the kind that it is of."""
        self._name_changes(site)
        kind = BY_NAME["sites"]
        yield kind, _written(kind, _named_key(site) | _own(site) | self._change("change", site.writer))
        for thing in self._world.things["coverages"]:
            if thing.key[1] is site:
                until = thing.values["covered_until"]
                values = _named_key(thing) | {"covered_from": thing.key[2], "covered_until": until}
                yield thing.kind, _written(thing.kind, values)
        kind = BY_NAME["changes"]
        for change in self._world.changes[site]:
            own = {c.name: change.values[c.attribute] for c in kind.columns if c.attribute in change.values}
            yield (
                kind,
                _written(
                    kind, {"site": site.key[0], "change": self._keys[change], "day": change.happened_on} | own
                ),
            )
        for kind in ALL:
            if kind.sited and kind.name != "changes":
                for thing in _in_order(self._of_site[site, kind.name]):
                    for values in self._rows(thing):
                        yield kind, _written(kind, {"site": site.key[0]} | values)

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
        if kind.name == "readings":
            yield self._reading(thing)
            return
        first = _named_key(thing) | _own(thing)
        if kind.name == "paging_sets":
            first["zones"] = sorted(zone.key[-1] for zone in thing.values["zones"])
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
        values = self._change("change", facts.change) | _dated(thing.kind, facts.values)
        if facts.writer is not facts.change:
            values |= self._change("revised_by", facts.writer)
        return values

    def _reading(self, thing: Thing) -> Values:
        values = (
            _own(thing) | self._change("change", thing.writer) | self._change("after", thing.values["after"])
        )
        superseded = thing.values["supersedes"]
        if superseded is not None:
            values["supersedes"] = self._reading_key(superseded)
        if thing in self._superseded:
            values["reading"] = self._reading_key(thing)
        return values

    def _reading_key(self, thing: Thing) -> str:
        return self._reading_keys.setdefault(thing, f"reading {len(self._reading_keys) + 1}")


def _in_order(things: list[Thing]) -> list[Thing]:
    """Points by run and rank, landings and clips by block and row, all else as it was recorded."""
    if things and things[0].kind.name == "points":
        return sorted(
            things, key=lambda thing: (thing.key[0].label, thing.key[0].id or 0, thing.values["rank"])
        )
    if things and things[0].kind.name in ("landings", "clips"):
        return sorted(things, key=lambda thing: (thing.key[0].label, thing.key[0].id or 0, thing.key[1]))
    return things


# --- values by column ---------------------------------------------------------------------------------------


def _leaves(thing: Thing) -> list[Any]:
    """A thing's key as the columns of a reference to it hold it: names and numbers, owners first."""
    return [leaf for part in thing.key for leaf in (_leaves(part) if isinstance(part, Thing) else [part])]


def _named(columns: tuple[str, ...], thing: Thing | None) -> Values:
    return {} if thing is None else dict(zip(columns, _leaves(thing), strict=True))


def _named_key(thing: Thing) -> Values:
    values: Values = {}
    for part, value in zip(thing.kind.key, thing.key, strict=True):
        reference = thing.kind.reference(part)
        values |= _named(reference.columns, value) if reference else {part: value}
    return values


def _own(thing: Thing) -> Values:
    return _columns(thing.kind, thing.values, dated=False)


def _dated(kind: FileKind, values: Values) -> Values:
    shown = kind.show(values) if kind.show is not None else {}
    return _columns(kind, values, dated=True) | shown


def _columns(kind: FileKind, values: Values, *, dated: bool) -> Values:
    found: Values = {}
    for column in kind.columns:
        if column.dated is dated and column.attribute in values:
            found[column.name] = values[column.attribute]
    for reference in kind.references:
        if reference.dated is dated and reference.attribute in values:
            found |= _named(reference.columns, values[reference.attribute])
    for pair in kind.estimates:
        if pair.value in found and found[pair.value] is not None:
            found[pair.value] = Estimate(found[pair.value])
        elif pair.value in found and not pair.optional:
            found[pair.basis] = None  # without a value its basis is unknown, and both are blank
    return found


# --- cells --------------------------------------------------------------------------------------------------


def _written(kind: FileKind, values: Values) -> Cells:
    return {column.name: _cell(column, values.get(column.name)) for column in kind.all_columns}


def _cell(column: Column, value: Any) -> str:
    if value is None or value == [] or value == "":
        return ""
    if isinstance(column.cell, Rows):
        value = (value,)
    return column.cell.write(value)
