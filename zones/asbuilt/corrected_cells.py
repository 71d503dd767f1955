"""What the corrections in the change record rewrote, in the cells of files: an update of a row becomes a cell
before and after it a column that differs."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from zones.plant.corrections import Correction, Rewrite
from zones.plant.versions import Row

from .exporting import facts_cells, own_cells
from .formats import CORRECTED, FileKind, Reference, corrected_columns
from .formats.kinds import ENDS, Sources, Values
from .things import Change, CorrectedCell, Facts, Thing, World

_BY_TABLE: dict[str, tuple[FileKind, bool]] = {
    **{kind.facts._meta.db_table: (kind, True) for kind in CORRECTED if kind.facts is not None},
    **{kind.model._meta.db_table: (kind, False) for kind in CORRECTED if kind.model is not None},
}
Target = tuple[Thing, Facts | None]
Said = dict[str, str | Change]


class CellsOfCorrections:
    """Reads the corrections of sites that ``world`` holds. ``changes``: change sets by id; ``values``:
    attributes of a row of the database, with things for ids; ``by_id``: things by kind and id; ``at``: the
    change of a site at a step."""

    def __init__(
        self,
        world: World,
        changes: Mapping[int, Change],
        values: Callable[[Sources, Values], Values],
        by_id: Mapping[str, Mapping[int, Thing]],
        at: Callable[[Thing, int], Change],
    ) -> None:
        self._world = world
        self._changes = changes
        self._values = values
        self._by_id = by_id
        self._at = at

    def of_site(self, corrections: Sequence[Correction]) -> list[CorrectedCell]:
        """Corrected cells of one site, in the order of recording."""
        found: list[CorrectedCell] = []
        added: dict[Target, Change] = {}
        joined = [self._joined(correction) for correction in corrections]
        for correction in corrections:
            change = self._changes[correction.id]
            rewritten: dict[Target, tuple[Row, Row]] = {}
            for rewrite in correction.rewrites:
                added |= dict.fromkeys(self._inserted(rewrite), change)
                for was, now in rewrite.pairs() if rewrite.operation == "update" else ():
                    target = self._target(rewrite.table, now)
                    if target is not None:
                        rewritten[target] = rewritten.get(target, (was, now))[0], now
            for target in sorted(rewritten, key=_place):
                was, now = rewritten[target]
                before, after = self._cells(target, was), self._cells(target, now)
                found += self._differing(change, target, before, after, added)
            # What has facts was added by who wrote the first of them
            alone = [one for one, by in added.items() if by is change and one[0].kind.facts is None]
            for target in sorted(alone, key=_place):
                if added.pop(target) is not target[0].begin:
                    found.append(CorrectedCell(change, *target))
            for thing, zones in sorted(joined.pop(0).items(), key=lambda one: one[0].label):
                after = thing.values["zones"].difference(*(one.get(thing, ()) for one in joined))
                cells = [own_cells(thing.kind, {"zones": of})["zones"] for of in (after - zones, after)]
                found.append(CorrectedCell(change, thing, None, "zones", *cells))
        return found

    def _joined(self, correction: Correction) -> dict[Thing, set[Thing]]:
        """The zones that a correction put into paging sets which were there before."""
        found: dict[Thing, set[Thing]] = defaultdict(set)
        inserts = [one for one in correction.rewrites if one.operation == "insert"]
        made = {row["id"] for one in inserts if one.table == "paging_set" for row in one.after}
        for rewrite in inserts:
            for row in rewrite.after if rewrite.table == "paging_set_zone" else ():
                if row["paging_set_id"] not in made:
                    of = self._by_id["paging_sets"][row["paging_set_id"]]
                    found[of].add(self._by_id["zones"][row["zone_id"]])
        return found

    def _inserted(self, rewrite: Rewrite) -> list[Target]:
        rows = rewrite.after if rewrite.operation == "insert" else ()
        return [target for row in rows if (target := self._target(rewrite.table, row)) is not None]

    @staticmethod
    def _differing(
        change: Change, target: Target, before: Said, after: Said, added: dict[Target, Change]
    ) -> list[CorrectedCell]:
        thing, facts = target
        names = [name for name in corrected_columns(thing.kind) if name in before]
        cells = [
            CorrectedCell(change, thing, facts, name, before[name], after[name])
            for name in names
            if before[name] != after[name]
        ]
        if cells and target in added:
            cells.insert(0, CorrectedCell(added.pop(target), thing, facts))
        return cells

    def _target(self, table: str, row: Row) -> Target | None:
        """The row as the files have it; None where it is not the record's any more."""
        kind, dated = _BY_TABLE.get(table, (None, False))
        if kind is None:
            return None
        thing = self._thing(kind, row, dated=dated)
        if thing is None or not dated:
            return None if thing is None else (thing, None)
        facts = next((one for one in thing.facts if one.change.step == row["step"]), None)
        return None if facts is None else (thing, facts)

    def _thing(self, kind: FileKind, row: Row, *, dated: bool) -> Thing | None:
        if kind.model is not None:
            return self._by_id[kind.name].get(int(row[f"{kind.facts_of}_id" if dated else "id"]))
        # without a row of its own, it is found by its key
        key = []
        for name, part in kind.key_sources.items():
            of = self._by_id[part.to].get(row[name]) if isinstance(part, Reference) else row[name]
            key.append(of)
        site = self._by_id["sites"].get(int(row["site_id"]))
        return next(iter(self._world.lives(kind.name, site, tuple(key))), None)

    def _cells(self, target: Target, row: Row) -> Said:
        thing, facts = target
        kind = thing.kind
        if facts is not None:
            return {**facts_cells(kind, self._values(kind.dated, _typed(kind.facts, kind.dated, row)))}
        sources = {**kind.key_sources, **kind.own}
        said: Said = {**own_cells(kind, self._values(sources, _typed(kind.model, sources, row)))}
        end = row.get("end_step")
        if thing.site is not None and kind.placed:
            said[ENDS.name] = "" if end is None else self._at(thing.site, end)
        return said


def _place(target: Target) -> tuple[Any, ...]:
    """Where the row stands in the files, independently of its id: two exports of the same record are the
    same."""
    thing, facts = target
    since = facts.change if facts is not None else thing.begin
    when = () if since is None else since.position
    return CORRECTED.index(thing.kind), thing.label, when, facts is not None


def _typed(model: Any, sources: Sources, row: Row) -> Values:
    """A row as the change record has it (JSON, without what is NULL) with the values of its fields."""
    fields = {name: model._meta.get_field(name) for name in sources}
    return {
        name: row.get(name) if field.is_relation else field.to_python(row.get(name))
        for name, field in fields.items()
    }
