"""Tests, which have no name: each is its content."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from zones.asbuilt.formats import BY_NAME
from zones.asbuilt.parsing import Row
from zones.asbuilt.things import Thing
from zones.rules.tests import has_come, taken_by_then

from .context import Context, LookUp

# A test by its site's code and the key that a row gave it; its row where that is refused
Named = dict[tuple[Any, str], Thing | Row]


def settle_tests(context: Context) -> None:
    """A test has no name of its own, so it is its content: as many of the same as the files give, the
    record is to have.
    """
    kind = BY_NAME["tests"]
    held: dict[tuple[Any, ...], list[Thing]] = defaultdict(list)
    for recorded in context.world.things[kind.name]:
        held[_content(recorded)].append(recorded)
    superseded = {thing.values["supersedes"] for thing in context.world.things[kind.name]}
    named: Named = {}
    for row in _superseded_first(context.rows.get(kind.name, [])):
        thing = None if row.is_refused() else _test(context, row, named)
        if thing is not None and not row.is_refused():
            same = held[_content(thing)]
            if same:
                thing = same.pop(0)
            else:
                _add_test(context, row, thing, superseded)
            context.mentioned[kind.name][thing].append((row, row.values, None))
        if "test" in row.values:
            name = (row.values.get("site"), row.values["test"])
            named.setdefault(name, row if row.is_refused() or thing is None else thing)


def _add_test(context: Context, row: Row, thing: Thing, superseded: set[Thing | None]) -> None:
    assert thing.site is not None
    former = thing.values["supersedes"]
    if former is not None and former in superseded:
        row.complain("supersedes", "superseded_twice", "was superseded already: supersede the newer test")
    superseded.add(former)
    change = context.change(row, thing.site, "change")
    if change is None and not row.is_refused():
        change = context.change_for_day(row, thing.site, row.values["taken_on"])
    if change is not None and not row.is_refused():
        thing.writer = context.writer(change)
        row.refuse(taken_by_then(row.values["taken_on"], thing.writer.happened_on))
        now = context.now(thing.site)
        row.refuse(has_come(row.values["taken_on"], row.values.get("taken_at") or "", now))
        context.world.add(thing)


def _content(thing: Thing) -> tuple[Any, ...]:
    values = thing.values
    superseded = values["supersedes"]
    rest = tuple(value for name, value in sorted(values.items()) if name != "supersedes")
    return thing.site, rest, None if superseded is None else _content(superseded)


def _superseded_first(rows: list[Row]) -> list[Row]:
    """A test after the one that it supersedes; rows that supersede one another in a ring are refused."""
    by_key = {(row.values.get("site"), row.values["test"]): row for row in rows if "test" in row.values}
    ordered: list[Row] = []
    state: dict[Row, int] = {}
    for start in rows:
        path: list[Row] = []
        row: Row | None = start
        while row is not None and row not in state:
            state[row] = 1
            path.append(row)
            row = by_key.get((row.values.get("site"), row.values.get("supersedes")))
        if row is not None and state[row] == 1:
            for one in path[path.index(row) :]:
                one.complain("supersedes", "ring", "supersedes itself, by way of others or outright")
        for one in reversed(path):
            state[one] = 2
            ordered.append(one)
    return ordered


def _test(context: Context, row: Row, named: Named) -> Thing | None:
    kind = BY_NAME["tests"]
    site = context.site_of(row)
    if site is None:
        return None
    key = row.values.get("test")
    if key is not None and (row.values["site"], key) in named:
        row.complain("test", "key_twice", f"“{key}” is the key of another test of this site")
    after = context.change(row, site, "after")
    values = kind.own_blank | context.read(LookUp(row, row.values, site, after), kind.own)
    superseded = None
    if "supersedes" in row.values:
        wanted = named.get((row.values["site"], row.values["supersedes"]))
        if isinstance(wanted, Row):
            row.wait_for(wanted)
        elif wanted is None:
            row.complain(
                "supersedes",
                "no_such_test",
                f"there is no test “{row.values['supersedes']}” of this site in the file",
            )
        superseded = wanted if isinstance(wanted, Thing) else None
    if row.is_refused():
        return None
    return Thing(kind, site, (), values | {"after": after, "supersedes": superseded}, row=row)
