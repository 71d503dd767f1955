"""Which thing a row speaks of. A name can be used again after its thing was taken out, so a row belongs to
the thing that stands under that name when the row's change happens, and begins a new one where none does.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any, NamedTuple

from zones.asbuilt.formats import FileKind
from zones.asbuilt.formats.kinds import Values
from zones.asbuilt.parsing import Row
from zones.asbuilt.things import Change, Facts, Thing

from .context import Context


class Entry(NamedTuple):
    """One record that a row gives; ``change`` None where it names none and its thing is in the record."""

    row: Row
    values: Values
    site: Thing | None
    key: tuple[Any, ...]
    change: Change | None


def stand(context: Context, kind: FileKind) -> None:
    """Give every row of a kind the thing that it speaks of; ``context.spoken`` holds the answer.

    Rows that are refused already are placed too where they can be: what names their thing is to wait for
    them, and not to be told that there is no such thing.
    """
    groups: dict[tuple[Any, ...], list[Entry]] = defaultdict(list)
    for row in context.rows.get(kind.name, []):
        if row.is_refused() and not _can_stand(kind, row):
            continue
        for values in row.items():
            entry = _entry(context, kind, row, values)
            if entry is not None:
                groups[entry.site, entry.key].append(entry)
    for entries in groups.values():
        if not (kind.placed or kind.facts):
            _only_one(context, kind, entries)
        elif any(entry.change is None and entry.row.is_refused() for entry in entries):
            _set_aside(context, kind, entries)
        else:
            for entry in sorted(entries, key=lambda entry: _moment(context, kind, entry).position):
                _place(context, kind, entry)


def _can_stand(kind: FileKind, row: Row) -> bool:
    if kind.name == "landings":  # what a landing is hangs on more than its key, and nothing names one
        return False
    columns = [column for part in kind.key for column in kind.columns_of(part)]
    return all(column in row.values for column in (*columns, *(["site"] if kind.sited else [])))


def _entry(context: Context, kind: FileKind, row: Row, values: Values) -> Entry | None:
    site = None
    change = None
    dated = kind.placed or kind.facts is not None
    if kind.sited:
        site = context.site_of(row)
        if site is None:
            return None
        change = context.change(row, site, "change") if dated else None
    key = _key(context, kind, row, site, values, change)
    if key is None:
        return None
    if dated and change is None and not row.is_refused() and not context.world.lives(kind.name, site, key):
        assert site is not None
        change = context.first_change(row, site)
        if change is not None:
            key = _key(context, kind, row, site, values, change)
    return None if key is None else Entry(row, values, site, key, change)


def _set_aside(context: Context, kind: FileKind, entries: list[Entry]) -> None:
    """Where nobody can say when one of its rows holds from, the other rows of a thing wait for that one."""
    first = next(entry for entry in entries if entry.change is None and entry.row.is_refused())
    lives = context.world.lives(kind.name, first.site, first.key)
    thing = lives[-1] if lives else Thing(kind, first.site, first.key, row=first.row)
    if not lives:
        context.world.add(thing)
    context.spoken[kind.name][thing] += [
        (entry.row, entry.values, None)
        for entry in (first, *(entry for entry in entries if entry is not first))
    ]


def _key(
    context: Context, kind: FileKind, row: Row, site: Thing | None, values: Values, at: Change | None
) -> tuple[Any, ...] | None:
    key: list[Any] = []
    for part in kind.key:
        reference = kind.reference(part)
        if reference is None:
            key.append(values[part])
            continue
        thing = context.refer(row, reference, site, values, at, strict=True)
        if thing is None and values.get(reference.columns[-1]) is not None:
            return None
        key.append(thing)
    return tuple(key)


def _moment(context: Context, kind: FileKind, entry: Entry) -> Change:
    """When a row holds from. Where it does not say, the begin of the thing in the record: of the one that
    began with the first change of the files, where it is their first import again, else of the one that
    stands, or last stood.
    """
    if entry.change is not None:
        return entry.change
    lives = context.world.lives(kind.name, entry.site, entry.key)
    keys = context.change_keys.get(entry.site) if entry.site else None
    first = min(keys.values(), key=lambda change: change.position) if keys else None
    chosen = [life for life in lives if life.begin is first] or [life for life in lives if life.end is None]
    begin = (chosen or lives)[-1].begin
    assert begin is not None
    return begin


def _only_one(context: Context, kind: FileKind, entries: list[Entry]) -> None:
    """Kinds without dates: one row a key."""
    first = entries[0]
    for entry in entries[1:]:
        message = f"is given in row {first.row.number} already"
        entry.row.complain(_key_column(kind, entry), "key_twice", message)
    lives = context.world.lives(kind.name, first.site, first.key)
    thing = lives[0] if lives else Thing(kind, first.site, first.key, row=first.row)
    if not lives:
        context.world.add(thing)
    context.spoken[kind.name][thing].append((first.row, first.values, None))


def _place(context: Context, kind: FileKind, entry: Entry) -> None:
    """One row of a kind with dates, in the order of their changes."""
    at = _moment(context, kind, entry)
    lives = context.world.lives(kind.name, entry.site, entry.key)
    life = next((one for one in lives if one.stands_at(at)), None)
    spoken = context.spoken[kind.name]
    if life is None:
        later = next((one for one in lives if one.begin and one.begin.position > at.position), None)
        if later is not None and (not kind.placed or entry.row.values.get("ends") is None):
            _begins_too_early(entry, later, at, kind)
            return
        life = Thing(kind, entry.site, entry.key, begin=at, row=entry.row)
        context.world.add(life)
    elif kind.facts is None and (life in spoken or life.begin is not at):
        _stands_already(entry, life, spoken[life][0][0] if life in spoken else None)
        return
    facts = None
    if kind.facts is not None:
        facts = next((one for one in life.facts if one.change is at), None)
        if facts is not None and facts.row is not None:
            message = f"row {facts.row.number} gives its facts from the same change on"
            entry.row.complain("change", "key_twice", message)
            return
        if facts is None:
            facts = Facts(at, {}, at)
            life.facts.append(facts)
        facts.row = entry.row
    spoken[life].append((entry.row, entry.values, facts))
    _end(context, life, entry)
    context.some_end |= life.end is not None


def _stands_already(entry: Entry, life: Thing, row: Row | None) -> None:
    """A second thing of a name while the first, of ``row`` or of the record, still stands."""
    if row is not None and row.is_refused():  # perhaps it ended, had its row been right
        entry.row.wait_for(row)
        return
    where = f"row {row.number}" if row else f"the record, from {life.begin.label if life.begin else ''}"
    message = f"stands already then: see {where}; a second of this name begins after the first ends"
    entry.row.complain(_key_column(life.kind, entry), "key_twice", message)


def _key_column(kind: FileKind, entry: Entry) -> str:
    """The last column of the key that a row fills: where a person would look."""
    columns = [name for part in kind.key for name in kind.columns_of(part)]
    return next(name for name in reversed(columns) if name in entry.row.values)


def _begins_too_early(entry: Entry, later: Thing, at: Change, kind: FileKind) -> None:
    begins = later.begin.label if later.begin else ""
    if kind.placed:
        message = (
            f"another of this name begins with the change of {begins}: say with which change this one ends"
        )
        entry.row.complain("ends", "overlap", message)
    else:
        message = f"holds from {at.happened_on}, but the record has it only from the change of {begins}"
        entry.row.complain("change", "before_its_begin", message)


def _end(context: Context, life: Thing, entry: Entry) -> None:
    if entry.site is None:
        return
    end = context.change(entry.row, entry.site, "ends")
    if end is None or life.end is end:
        return
    assert life.begin is not None
    if life.end is not None:
        entry.row.complain(
            "ends", "differs", f"is {end.key}, but it was taken out by the change of {life.end.label}"
        )
    elif end.position <= life.begin.position:
        entry.row.complain("ends", "contradiction", f"ends with the change of {end.label}, before it begins")
    elif any(one.change.position >= end.position for one in life.facts if one.recorded):
        entry.row.complain("ends", "contradiction", "the record has facts of it from later changes")
    else:
        life.end, life.end_row, life.ender = end, entry.row, context.writer(end)
