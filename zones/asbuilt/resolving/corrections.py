"""What corrections rewrote: each new row that was corrected is taken back to what it said at first, so that
it can be written as it came about.

The files hold the last values. ``corrections.csv`` is gone through from the last correction of a row to the
first: what a cell said after one has to be what it says now, and before it, it said ``before``.
"""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from collections.abc import Mapping
from typing import NamedTuple, cast

from sites.models.changes import MOST_REWRITTEN
from sites.wording import perhaps
from zones.asbuilt.cells import BadCellError, Rows
from zones.asbuilt.exporting import Cells, facts_cells, name_cells, own_cells
from zones.asbuilt.files import Sheet
from zones.asbuilt.formats import BY_NAME, SHARED, Column, FileKind, corrected_columns
from zones.asbuilt.formats.kinds import ENDS, Values
from zones.asbuilt.parsing import Row, parse, read_cell
from zones.asbuilt.problems import place_of
from zones.asbuilt.things import Change, Facts, Rewritten, Thing

from .context import Context, LookUp
from .values import members

_REWRITING = ("correction", "catalogue")
"""Kinds of changes that rewrite; the second rewrites the catalogue alone."""


class Cell(NamedTuple):
    """What one row of the file says, its names looked up. ``column`` is blank where the row was added. An end
    is the change with which the thing ends."""

    row: Row
    change: Change
    column: str
    before: str | Change
    after: str | Change


class Target(NamedTuple):
    """What was corrected: a row of facts, or a thing's own row. ``site``: whose correction it is."""

    site: Thing
    thing: Thing
    facts: Facts | None


def settle_corrections(context: Context) -> None:
    """Give new facts that were corrected their ``written``, and every new change what it ``rewrote`` of what
    is not dated; complain of what does not fit.

    A change set is never added to, so what stood before cannot follow later: a refused row puts its whole
    site aside.
    """
    rows = context.rows.get("corrections", [])
    by_target: dict[Target, list[Cell]] = defaultdict(list)
    for row in rows:
        found = None if row.is_refused() else _looked_up(context, row)
        if found is not None and not row.is_refused():
            by_target[found[0]].append(found[1])
    recorded = {
        (cell.change, cell.thing, cell.facts, cell.column, cell.before, cell.after)
        for of_site in context.world.corrected.values()
        for cell in of_site
    }
    for target, cells in by_target.items():
        _, thing, facts = target
        known = [cell for cell in cells if cell.change.recorded]
        for cell in known:
            if (cell.change, thing, facts, *cell[2:]) not in recorded:
                message = "the record has this change, and does not say that this correction rewrote it so"
                cell.row.complain("change", "differs", message)
        new = [cell for cell in cells if not cell.change.recorded]
        if new and not _refused_with(thing, facts, cells):
            of_zones = [cell for cell in new if cell.column == "zones"]
            new = [cell for cell in new if cell.column != "zones"]
            if thing.kind not in SHARED and (thing.recorded if facts is None else facts.recorded):
                _check_rewritten(thing, facts, new)
            elif new:
                _settle(context, target, new)
            _settle_zones(context, thing, of_zones)
    _refuse_too_many(context)
    for row in rows:
        if row.is_refused():
            context.put_site_aside(row)
    context.withdraw(BY_NAME["coverages"])


def _refuse_too_many(context: Context) -> None:
    """Refuse a correction that rewrites more rows than a change set can keep: those of the record too, since
    an export brings them where they are new."""
    rewritten: Counter[Change | None] = Counter()
    for thing in itertools.chain(*context.world.things.values()):
        rewritten[thing.writer] += thing.rewritten
        rewritten.update(facts.writer for facts in thing.facts if facts.rewritten)
    for change in itertools.chain(*context.world.changes.values()):
        if change.row is None or change.recorded or change.values["kind"] not in _REWRITING:
            continue
        count = len(change.rewrote) + rewritten[change]
        if count > MOST_REWRITTEN:
            message = f"rewrites {count:,} rows; expected {MOST_REWRITTEN:,} at most: make it several changes"
            change.row.complain("change", "too_many", message)
            context.put_site_aside(change.row)


def _refused_with(thing: Thing, facts: Facts | None, cells: list[Cell]) -> bool:
    """Whether the corrected row is refused; what was rewritten in it then waits for it."""
    row = thing.row if facts is None else facts.row
    if thing.refused or (row is not None and row.is_refused()):
        for cell in cells:
            cell.row.wait_for(row or thing.row)
        return True
    return False


# --- names --------------------------------------------------------------------------------------------------


def _looked_up(context: Context, row: Row) -> tuple[Target, Cell] | None:
    site = context.site_of(row)
    if site is None:
        return None
    change = context.change(row, site, "change")
    since = context.change(row, site, "held_since")
    if change is None or row.is_refused():
        return None
    kind = BY_NAME[row.values["file"]]
    kinds = _REWRITING if kind in SHARED else _REWRITING[:1]
    if change.values["kind"] not in kinds:
        message = f"“{change.key}” is {change.values['kind']}: only a change of kind {kinds[-1]} rewrites"
        row.complain("change", "not_a_correction", message)
        return None
    column = _column(kind, row)
    thing = site if kind.name == "sites" else _thing(context, row, kind, site, since)
    if thing is None or row.is_refused():
        return None
    facts = None
    is_dated = column.dated if column is not None else kind.facts is not None
    if is_dated:
        facts = next((one for one in thing.facts if one.change is since), None)
        if facts is None:
            message = f"{kind.file} and the record have no row of {thing.label} that holds from this change"
            row.complain("held_since", "no_such_row", message)
            return None
    texts = [_said(context, row, site, column, name) for name in ("before", "after")]
    if column is not None and texts[0] == texts[1] and not row.problems:
        row.complain("after", "contradiction", "is as before: nothing was rewritten")
    return Target(site, thing, facts), Cell(row, change, "" if column is None else column.name, *texts)


def _column(kind: FileKind, row: Row) -> Column | None:
    name = row.values.get("column")
    if name is None:
        return None
    column = kind.headers.get(name) or kind.by_name.get(name)
    taken = corrected_columns(kind)
    if column is None or column.name not in taken:
        message = f"“{name}” is not a column of {kind.file} that corrections rewrite{perhaps(name, taken)}"
        row.complain("column", "no_such_column", f"{message}; those are {', '.join(taken)}")
    return column


def _thing(context: Context, row: Row, kind: FileKind, site: Thing, since: Change | None) -> Thing | None:
    """The thing that the cell ``thing`` names, as it stood when the corrected row began."""
    names = Row(row.kind, row.number, row.cells)  # what is wrong with a name is wrong with the one cell
    for text in row.values.get("thing", []):
        name, _, value = text.partition("=")
        name, value = name.strip(), value.strip()
        if name not in kind.key_columns:
            message = (
                f"“{name}” does not identify a row of {kind.file}; that do {', '.join(kind.key_columns)}"
            )
            names.complain("thing", "no_such_column", message)
            continue
        read = read_cell(kind.by_name[name], value)
        if isinstance(read, BadCellError):
            names.complain("thing", "bad_value", f"{name}: {read}")
        else:
            names.values[name] = read[0] if isinstance(kind.by_name[name].cell, Rows) else read
    if kind not in SHARED and since is None and not row.problems:
        message = "is blank; only rows of sites and of the catalogue hold from no change"
        row.complain("held_since", "blank", message)
    key = None
    if not names.problems and (since is not None or kind in SHARED):
        key = context.key(LookUp(names, names.values, site, since), kind.parts)
    for problem in names.problems:
        row.complain("thing", problem.code, problem.detail)
    row.wait_for(names.waits_for)
    if key is None:
        return None
    lives = context.world.lives(kind.name, None if kind in SHARED else site, key)
    found = next((life for life in lives if life.stands_at(since)), None)
    if found is None:
        row.complain("thing", "no_such_thing", f"{kind.file} and the record have no such thing then")
    return found


def _said(context: Context, row: Row, site: Thing, column: Column | None, name: str) -> str | Change:
    """A cell of the corrected row as it would be exported, or the change that it names; blank after a
    complaint."""
    text = row.cells.get(name, "").removeprefix("'")
    if not text:
        return ""
    if column is ENDS:
        return context.change(row, site, name) or ""
    if column is None:
        row.complain(name, "contradiction", "is given, but column is blank")
        return ""
    read = read_cell(column, text, row.values["column"])
    if isinstance(read, BadCellError):
        row.complain(name, "bad_value", str(read))
        return ""
    return "" if read is None else column.cell.write(read)


# --- values -------------------------------------------------------------------------------------------------


def _cells(thing: Thing, facts: Facts | None, values: Values | None = None) -> Cells:
    """The cells of the row as they stand in the end, or with other ``values``."""
    if facts is not None:
        return facts_cells(thing.kind, facts.values if values is None else values)
    key = dict(zip(thing.kind.key_sources, thing.key, strict=True))
    return own_cells(thing.kind, key | (thing.values if values is None else values))


def _check_rewritten(thing: Thing, facts: Facts | None, cells: list[Cell]) -> None:
    """A row that the record has and the files correct: by one change, from what the record says."""
    for cell in cells:
        is_it = facts is not None and facts.rewritten and facts.writer is cell.change
        if not is_it or facts is None:
            message = "the record has this row, and revised_by does not name this change as correcting it"
            cell.row.complain("change", "contradiction", message)
            continue
        _require(cell, "before", _cells(thing, facts, facts.former).get(cell.column, ""), "the record says")
        _require(cell, "after", _cells(thing, facts).get(cell.column, ""), "its row says")


def _require(cell: Cell, name: str, there: str | Change, who: str) -> None:
    here = cell.before if name == "before" else cell.after
    if here != there:
        texts = [one.key if isinstance(one, Change) else one or "blank" for one in (here, there)]
        cell.row.complain(name, "differs", f"is {texts[0]}, but {who} {texts[1]}")


def _settle(context: Context, target: Target, cells: list[Cell]) -> None:
    """The row before each correction, from the last correction to the first."""
    _, thing, facts = target
    by_change = _by_change(cells)
    order = sorted(by_change, key=_recorded)
    final_writer = facts.writer if facts is not None else thing.described or thing.writer
    if facts is not None and final_writer is not order[-1]:
        row = next(iter(by_change[order[-1]].values())).row
        message = f"“{order[-1].key}” rewrote the row last, which its revised_by does not say"
        row.complain("change", "contradiction", message)
    standing: dict[str, str | Change] = {**_cells(thing, facts), ENDS.name: thing.end or ""}
    values = _final_values(thing, facts)
    # What is not dated may have been rewritten by other work after the last of the corrections
    known = set(standing) if final_writer is order[-1] or facts is not None else set()
    stages: list[tuple[Change, Rewritten]] = []
    for change in reversed(order):
        rewritten = {name: cell for name, cell in by_change[change].items() if name}
        for name, cell in rewritten.items():
            if name in known or isinstance(cell.after, Change):
                _require(cell, "after", standing[name], "what then stands is")
            standing[name] = cell.after
        if rewritten.keys() - known:
            values = _values(context, target, standing, rewritten, "after", values)
        after, end = values, cast("Change | None", standing[ENDS.name] or None)
        known |= rewritten.keys()
        standing |= {name: cell.before for name, cell in rewritten.items()}
        values = _values(context, target, standing, rewritten, "before", values)
        if rewritten:
            ended = cast("Change | None", standing[ENDS.name] or None), end
            rewrote = Rewritten(thing, facts, values, after, ended if ENDS.name in rewritten else None)
            stages.append((change, rewrote))
    if any(cell.row.is_refused() for cell in cells):
        return
    for change, row_then in reversed(stages):
        change.rewrote.append(row_then)
    added = order[0] if "" in by_change[order[0]] else None
    if facts is not None:
        facts.first = added or context.writer(facts.change)
        if facts.change is not thing.begin or thing.recorded:
            return
        # else its own row would seem to be added by the last correction
        added = facts.first
        if thing.end is None:
            thing.described = thing.described or thing.writer
    thing.writer = added or thing.writer


def _settle_zones(context: Context, thing: Thing, cells: list[Cell]) -> None:
    """The zones that each correction added to an existing paging set, from the last correction to the
    first."""
    zones = thing.values.get("zones", frozenset())
    for cell in sorted(cells, key=lambda one: _recorded(one.change), reverse=True):
        look = LookUp(cell.row, {}, thing.site, thing.begin)
        before, after = (
            members(context, look, read_cell(thing.kind.by_name["zones"], str(text)) if text else ())
            for text in (cell.before, cell.after)
        )
        _require(cell, "after", own_cells(thing.kind, {"zones": zones})["zones"], "what then stands is")
        if not before < after:
            message = "is not among what is after: a zone is never taken out of a paging set"
            cell.row.complain("before", "contradiction", message)
        thing.joined |= dict.fromkeys(after - before, cell.change)
        zones = before


def _by_change(cells: list[Cell]) -> dict[Change, dict[str, Cell]]:
    """The cells by change and column, each once."""
    by_change: dict[Change, dict[str, Cell]] = defaultdict(dict)
    for cell in cells:
        first = by_change[cell.change].setdefault(cell.column, cell)
        if first is not cell:
            message = f"row {first.row.number} says already what this change rewrote there"
            cell.row.complain("column", "key_twice", message)
    first_change = min(by_change, key=_recorded)
    for change, of_change in by_change.items():
        if "" in of_change and change is not first_change:
            message = f"added the row, but “{first_change.key}” rewrote it before"
            of_change[""].row.complain("change", "contradiction", message)
    return by_change


def _recorded(change: Change) -> int:
    """New changes are recorded in the order of changes.csv."""
    return change.row.number if change.row is not None else 0


def _final_values(thing: Thing, facts: Facts | None) -> Values:
    if facts is not None:
        return facts.values
    return dict(zip(thing.kind.key_sources, thing.key, strict=True)) | thing.values


def _values(
    context: Context,
    target: Target,
    standing: Mapping[str, str | Change],
    rewritten: dict[str, Cell],
    side: str,
    later: Values,
) -> Values:
    """What the row says with these cells; complaints stand on the rows that brought them. ``later``: what it
    says afterwards."""
    _, thing, facts = target
    kind = thing.kind
    # an end is not a cell of the row itself
    texts = {name: text for name, text in standing.items() if text and isinstance(text, str)}
    cells = name_cells(thing) | texts
    if thing.site is not None:
        cells["site"] = thing.site.key[0]
    row = _own_row(kind, cells) if facts is None else _facts_row(kind, cells)
    new: Values = {}
    if not row.problems and facts is None:
        look = LookUp(row, row.values, thing.site, thing.begin)
        new = later | kind.own_blank | context.read(look, kind.own) | context.read(look, kind.key_sources)
    elif not row.problems and facts is not None:
        given = row.items()[0]
        look = LookUp(row, given, thing.site, facts.change)
        new = kind.dated_blank | context.read(look, kind.dated)
        if kind.fill is not None:
            kind.fill(new, given)
    for problem in row.problems:
        column = place_of(problem)[2]
        cell = rewritten.get(column) or next(iter(rewritten.values()), None)
        if cell is not None:
            about = "" if column == cell.column else f"{column}: "
            cell.row.complain(side, problem.code, about + problem.detail)
    for cell in rewritten.values():
        cell.row.wait_for(row.waits_for)
    return later if row.is_refused() else new


def _facts_row(kind: FileKind, cells: Cells) -> Row:
    header = [name for name in kind.by_name if name in cells]
    (row,) = parse(Sheet(kind, header, [(0, dict.fromkeys(kind.by_name, "") | cells)]))
    return row


def _own_row(kind: FileKind, cells: Cells) -> Row:
    """A row without its dated cells: what a whole row would contradict is not asked."""
    row = Row(kind, 0, cells)
    for name, text in cells.items():
        column = kind.by_name[name]
        read = None if column.dated else read_cell(column, text)
        if isinstance(read, BadCellError):
            row.complain(name, "bad_value", str(read))
        elif read is not None:
            row.values[name] = read[0] if isinstance(column.cell, Rows) else read
    return row
