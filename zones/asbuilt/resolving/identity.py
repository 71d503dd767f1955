"""Which thing a row is about. A name can be used again after its thing was taken out, so a row belongs to
the thing that stands under that name when the row's change happens, and begins a new one where none does.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any, NamedTuple

from zones.asbuilt.formats import FileKind
from zones.asbuilt.formats.kinds import Values
from zones.asbuilt.parsing import Row
from zones.asbuilt.things import Change, Facts, Thing

from .context import Context, LookUp


class Given(NamedTuple):
    """One record that a row gives; ``change`` None where it names none and its thing is in the record."""

    row: Row
    values: Values
    site: Thing | None
    key: tuple[Any, ...]
    change: Change | None


def identify(context: Context, kind: FileKind) -> None:
    """Give every row of a kind the thing that it is about; ``context.mentioned`` holds the answer.

    Rows that are refused already are placed too where they can be: what names their thing waits for them,
    and does not complain that there is no such thing.
    """
    groups: dict[tuple[Any, ...], list[Given]] = defaultdict(list)
    for row in context.rows.get(kind.name, []):
        if row.is_refused() and not _can_be_identified(kind, row):
            continue
        for values in row.items():
            given = _given(context, kind, row, values)
            if given is not None:
                groups[given.site, given.key].append(given)
    for same in groups.values():
        lost = next((one for one in same if one.change is None and one.row.is_refused()), None)
        if not (kind.placed or kind.facts):
            for other in same[1:]:
                message = f"is given in row {same[0].row.number} already"
                other.row.complain(_key_column(kind, other), "key_twice", message)
            thing = _any_life(context, kind, same[0])
            context.mentioned[kind.name][thing].append((same[0].row, same[0].values, None))
        elif lost is not None:
            # when one of its rows holds from is not known: the other rows of a thing wait for that one
            thing = _any_life(context, kind, lost)
            rest = (one for one in same if one is not lost)
            context.mentioned[kind.name][thing] += [(one.row, one.values, None) for one in (lost, *rest)]
        else:
            moments = [(_moment(context, kind, given), given) for given in same]
            for at, given in sorted(moments, key=lambda one: one[0].position):
                _place(context, kind, given, at)


def _can_be_identified(kind: FileKind, row: Row) -> bool:
    if kind.name == "landings":  # more than its key identifies a landing, and nothing names one
        return False
    return all(column in row.values for column in (*kind.key_columns, *(["site"] if kind.sited else [])))


def _given(context: Context, kind: FileKind, row: Row, values: Values) -> Given | None:
    site = change = None
    dated = kind.placed or kind.facts is not None
    if kind.sited:
        site = context.site_of(row)
        if site is None:
            return None
        change = context.change(row, site, "change") if dated else None
    look = LookUp(row, values, site, change, strict=True)
    key = context.key(look, kind.parts)
    if key is None:
        return None
    if dated and change is None and not row.is_refused() and not context.world.lives(kind.name, site, key):
        assert site is not None
        change = context.first_change(row, site)
        if change is not None:
            key = context.key(look._replace(at=change), kind.parts)
    return None if key is None else Given(row, values, site, key, change)


def _any_life(context: Context, kind: FileKind, given: Given) -> Thing:
    """The thing that last had a key, or a new one."""
    lives = context.world.lives(kind.name, given.site, given.key)
    if lives:
        return lives[-1]
    thing = Thing(kind, given.site, given.key, row=given.row)
    context.world.add(thing)
    return thing


def _moment(context: Context, kind: FileKind, given: Given) -> Change:
    """When a row holds from. Where it does not say, the begin of the thing in the record: of the one that
    began with the first change of the files, where it is their first import again, else of the one that
    stands, or last stood.
    """
    if given.change is not None:
        return given.change
    lives = context.world.lives(kind.name, given.site, given.key)
    first = context.first_named(given.site)
    chosen = [life for life in lives if life.begin is first] or [life for life in lives if life.end is None]
    begin = (chosen or lives)[-1].begin
    assert begin is not None
    return begin


def _place(context: Context, kind: FileKind, given: Given, at: Change) -> None:
    """One row of a kind with dates, in the order of their changes."""
    row = given.row
    lives = context.world.lives(kind.name, given.site, given.key)
    life = next((one for one in lives if one.stands_at(at)), None)
    mentioned = context.mentioned[kind.name]
    if life is None:
        later = next((one.begin for one in lives if one.begin and one.begin.position > at.position), None)
        if later is not None and not kind.placed:
            held = f"the record has it only from the change of {later.label}"
            row.complain("change", "before_its_begin", f"holds from {at.happened_on}, but {held}")
            return
        if later is not None and row.values.get("ends") is None:
            begins = f"another of this name begins with the change of {later.label}"
            row.complain("ends", "overlap", f"{begins}: say with which change this one ends")
            return
        life = Thing(kind, given.site, given.key, begin=at, row=row)
        context.world.add(life)
    elif kind.facts is None and (life in mentioned or life.begin is not at):
        _stands_already(given, life, mentioned[life][0][0] if life in mentioned else None)
        return
    facts = None
    if kind.facts is not None:
        facts = next((one for one in life.facts if one.change is at), None)
        if facts is None:
            facts = Facts(at, {}, at)
            life.facts.append(facts)
        elif facts.row is not None:
            message = f"row {facts.row.number} gives its facts from the same change on"
            row.complain("change", "key_twice", message)
            return
        facts.row = row
    mentioned[life].append((row, given.values, facts))
    end = context.change(row, given.site, "ends") if given.site is not None else None
    if end is not None and life.end is not end:
        _end(context, life, row, end)
    context.some_end |= life.end is not None


def _stands_already(given: Given, life: Thing, row: Row | None) -> None:
    """A second thing of a name while the first, of ``row`` or of the record, still stands."""
    if row is not None and row.is_refused():  # perhaps it ended, had its row been right
        given.row.wait_for(row)
        return
    where = f"row {row.number}" if row else f"the record, from {life.begin.label if life.begin else ''}"
    message = f"stands already then: see {where}; a second of this name begins after the first ends"
    given.row.complain(_key_column(life.kind, given), "key_twice", message)


def _key_column(kind: FileKind, given: Given) -> str:
    """The last column of the key that a row fills: where a person would look."""
    return next(name for name in reversed(kind.key_columns) if name in given.row.values)


def _end(context: Context, life: Thing, row: Row, end: Change) -> None:
    assert life.begin is not None
    if life.end is not None:
        message = f"is {end.key}, but it was taken out by the change of {life.end.label}"
        row.complain("ends", "differs", message)
    elif end.position <= life.begin.position:
        row.complain("ends", "contradiction", f"ends with the change of {end.label}, before it begins")
    elif any(one.change.position >= end.position for one in life.facts if one.recorded):
        row.complain("ends", "contradiction", "the record has facts of it from later changes")
    else:
        life.end, life.end_row, life.ender = end, row, context.writer(end)
