"""What the corrections in the change record rewrote, in the cells of files: an update of a row becomes a cell
before and after it a column that differs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from zones.plant.corrections import Correction
from zones.plant.versions import Row, key_of

from .exporting import Cells, facts_cells, own_cells
from .formats import CORRECTED, OWN_CORRECTED, FileKind, corrected_columns
from .formats.kinds import Sources, Values
from .things import Change, CorrectedCell, Facts, Thing

_BY_TABLE: dict[str, tuple[FileKind, bool]] = {
    **{kind.facts._meta.db_table: (kind, True) for kind in CORRECTED if kind.facts is not None},
    **{kind.model._meta.db_table: (kind, False) for kind in OWN_CORRECTED if kind.model is not None},
}
Target = tuple[Thing, Facts | None]


def corrected_cells(
    corrections: Sequence[Correction],
    changes: Mapping[int, Change],
    values: Callable[[Sources, Values], Values],
    by_id: Mapping[str, Mapping[int, Thing]],
) -> list[CorrectedCell]:
    """Of one site, in the order of recording. ``changes``: change sets by id; ``values``: attributes of a row
    of the database, with things for ids; ``by_id``: things by kind and id."""
    found: list[CorrectedCell] = []
    added: dict[Target, Change] = {}
    for correction in corrections:
        if correction.kind != "correction":  # one of the catalogue wrote nothing of the site
            continue
        change = changes[correction.id]
        rewritten: dict[Target, tuple[Row, Row]] = {}
        for rewrite in correction.rewrites:
            kind, dated = _BY_TABLE.get(rewrite.table, (None, False))
            if kind is None:
                continue
            for row in rewrite.after if rewrite.operation == "insert" else ():
                target = _target(kind, rewrite.table, row, by_id, dated=dated)
                if target is not None:
                    added[target] = change
            for was, now in rewrite.pairs() if rewrite.operation == "update" else ():
                target = _target(kind, rewrite.table, now, by_id, dated=dated)
                if target is not None:
                    rewritten[target] = rewritten.get(target, (was, now))[0], now
        for target in sorted(rewritten, key=_place):
            thing, facts = target
            was, now = rewritten[target]
            before, after = (_cells(target, row, values) for row in (was, now))
            columns = corrected_columns(thing.kind)
            differing = [name for name in columns if before[name] != after[name]]
            if differing and target in added:
                found.append(CorrectedCell(added.pop(target), thing, facts))
            found += [
                CorrectedCell(change, thing, facts, name, before[name], after[name]) for name in differing
            ]
    return found


def _target(
    kind: FileKind, table: str, row: Row, by_id: Mapping[str, Mapping[int, Thing]], *, dated: bool
) -> Target | None:
    """The row as the files have it; None where it is not the record's any more."""
    key = key_of(table, row)
    thing = by_id[kind.name].get(key[0])
    if thing is None or not dated:
        return None if thing is None else (thing, None)
    facts = next((one for one in thing.facts if one.change.step == key[1]), None)
    return None if facts is None else (thing, facts)


def _place(target: Target) -> tuple[Any, ...]:
    """Where the row stands in the files, whatever its id: two exports of the same record are the same."""
    thing, facts = target
    since = facts.change if facts is not None else thing.begin
    return CORRECTED.index(thing.kind), thing.label, () if since is None else since.position


def _cells(target: Target, row: Row, values: Callable[[Sources, Values], Values]) -> Cells:
    thing, facts = target
    kind = thing.kind
    if facts is not None:
        return facts_cells(kind, values(kind.dated, _typed(kind.facts, kind.dated, row)))
    sources = {**kind.key_sources, **kind.own}
    typed = values(sources, _typed(kind.model, sources, row))
    return own_cells(kind, typed)


def _typed(model: Any, sources: Sources, row: Row) -> Values:
    """A row as the change record has it (JSON, without what is NULL) with the values of its fields."""
    fields = {name: model._meta.get_field(name) for name in sources}
    return {
        name: row.get(name) if field.is_relation else field.to_python(row.get(name))
        for name, field in fields.items()
    }
