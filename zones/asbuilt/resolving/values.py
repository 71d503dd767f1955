"""What rows say of a thing: cells to attributes, with things for names, compared with the record."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from zones.asbuilt.formats import BY_NAME, FileKind, Reference
from zones.asbuilt.formats.kinds import Values
from zones.asbuilt.parsing import Row
from zones.asbuilt.things import Change, Facts, Thing
from zones.rules.visits import visited_by_then

from .context import Context, LookUp
from .rules import block_row_fits, facts_fit

_MEMBER = Reference("zone", "zones", ("zones",))


def check_customers(context: Context) -> None:
    """A site whose customer is refused is refused before anything asks for the site."""
    kind = BY_NAME["sites"]
    for row in context.rows.get("sites", []):
        if not row.is_refused():
            context.refer(LookUp(row, row.values), kind.references[0])


def settle(context: Context, kind: FileKind) -> None:
    """Fill things and facts of a kind from their rows, and complain where they contradict the record."""
    for thing, mentioned in context.mentioned[kind.name].items():
        first_row, first_values, _ = mentioned[0]
        if not first_row.problems:
            _settle_own(context, thing, first_row, first_values)
        for row, values, facts in mentioned:
            row.refuse(block_row_fits(thing))
            if row is not first_row and not row.problems:
                _same_as_first(context, thing, row, values, first_row)
            if facts is not None and not row.problems:
                _settle_facts(context, thing, facts, row, values)
        if thing.recorded:
            _refuse_rewriting_of_history(thing)


# --- the thing's own row ------------------------------------------------------------------------------------


def _settle_own(context: Context, thing: Thing, row: Row, values: Values) -> None:
    kind = thing.kind
    own = _own_values(context, thing, row, values)
    if row.is_refused():
        return
    if not thing.recorded:
        for column in kind.required:
            if column.name not in values:
                row.complain(column.name, "blank", f"is blank; a new thing needs it: {column.cell.notation}")
        thing.values = kind.own_blank | own
        _take_writers(context, thing, row)
        return
    differing = _differing(own, thing.values)
    if not differing:
        return
    writer = _rewriter(context, thing, row)
    if row.is_refused():
        return
    if writer is None or writer.recorded:
        _complain_of_differences(thing, row, differing, thing.values)
    elif "zones" in differing and not thing.values["zones"] <= differing["zones"]:
        message = "a zone is never taken out of a paging set: end the set and begin another"
        row.complain("zones", "differs", message)
    elif "zones" in differing and writer.values["kind"] != "correction":
        message = (
            "is not a correction: a set keeps its zones, so end it and begin another, or correct the record"
        )
        row.complain("described_by", "not_a_correction", message)
    else:
        thing.values |= differing
        thing.writer, thing.rewritten, thing.row = writer, True, row


def _own_values(context: Context, thing: Thing, row: Row, values: Values) -> Values:
    """What a row says of the undated attributes: only those that it gives. A blank says nothing."""
    look = LookUp(row, values, thing.site, thing.begin)
    own = context.read(look, thing.kind.own)
    if thing.kind.name == "paging_sets" and "zones" in values:
        own["zones"] = members(context, look, values["zones"])
    return own


def members(context: Context, look: LookUp, names: Iterable[str]) -> frozenset[Thing]:
    """The zones of a paging set, which stand when it begins."""
    looks = (look._replace(values={"zones": name}, strict=True) for name in names)
    return frozenset(zone for one in looks if (zone := context.refer(one, _MEMBER)))


def _take_writers(context: Context, thing: Thing, row: Row) -> None:
    """Say who writes a new thing's own row: first, and last where another change described it since."""
    site = thing if thing.kind.name == "sites" else thing.site
    if site is None:
        return
    if thing.begin is None:
        named = context.change(row, site, "change")
        if named is None and not row.is_refused():
            if thing.kind.name == "visits":
                named = context.change_for_day(row, site, row.values["visited_on"])
            else:
                named = context.first_change(row, site)
        thing.writer = None if named is None else context.writer(named)
        if thing.kind.name == "visits" and thing.writer is not None:
            row.refuse(visited_by_then(row.values["visited_on"], thing.writer.happened_on))
        first = context.first_named(site)
        if thing is site and first is not None and thing.writer is not first:
            # its row is written by the first change, and not by the one that described it last
            thing.writer, thing.described = context.writer(first), thing.writer
        return
    thing.writer = context.writer(context.change(row, site, "revised_by") or thing.begin)
    described = context.change(row, site, "described_by")
    thing.described = None if described is None else context.writer(described)


def _rewriter(context: Context, thing: Thing, row: Row) -> Change | None:
    """The change by which a row corrects a recorded thing."""
    if thing.kind.name == "sites":
        return context.change(row, thing, "change")
    if thing.site is None or (thing.kind.facts is not None and not thing.kind.placed):
        return None
    return context.change(row, thing.site, "described_by" if thing.kind.placed else "change")


def _same_as_first(context: Context, thing: Thing, row: Row, values: Values, first: Row) -> None:
    """Later rows of a thing may leave blank what is not dated, or repeat it."""
    own = _own_values(context, thing, row, values)
    for name in _differing(own, thing.values) if not first.is_refused() else ():
        stands = f"it stands in row {first.number} as “{shown(thing.kind, name, thing.values.get(name))}”"
        column = thing.kind.column_for(name)
        row.complain(column, "not_dated", f"is not dated: {stands}; leave it blank here")


# --- dated facts --------------------------------------------------------------------------------------------


def _settle_facts(context: Context, thing: Thing, facts: Facts, row: Row, values: Values) -> None:
    assert thing.site is not None
    kind = thing.kind
    revised = context.change(row, thing.site, "revised_by")
    if revised is not None and revised.values["kind"] != "correction":
        message = (
            f"“{revised.key}” is {revised.values['kind']}: only a change of kind correction rewrites facts"
        )
        row.complain("revised_by", "not_a_correction", message)
    # the complete facts: a blank is unknown, or the column's default
    look = LookUp(row, values, thing.site, facts.change, strict=True)
    new = kind.dated_blank | context.read(look, kind.dated)
    if kind.fill is not None:
        kind.fill(new, values)
    if not row.is_refused():
        row.refuse(facts_fit(thing, new))
    if row.is_refused():
        return
    if not facts.recorded:
        facts.values = new
        facts.writer = context.writer(revised or facts.change)
        return
    differing = _differing(new, facts.values)
    if differing and revised is not None and not revised.recorded:
        facts.former, facts.values = facts.values, new
        facts.writer, facts.rewritten = revised, True
    else:
        _complain_of_differences(thing, row, differing, facts.values)


def _refuse_rewriting_of_history(thing: Thing) -> None:
    """New facts before recorded ones that the files do not give: those were written without knowing of
    these.
    """
    unseen = [one.change for one in thing.facts if one.recorded and one.row is None]
    for facts in thing.facts:
        if facts.recorded or facts.row is None:
            continue
        later = [change for change in unseen if change.position > facts.change.position]
        if later:
            first = min(later, key=lambda change: change.position)
            facts.row.complain(
                "change",
                "contradicts_later",
                f"holds from {facts.change.happened_on}, but the record has later facts of it, from the "
                f"change of {first.label}: give those in a row too, or date this after them",
            )


# --- differences --------------------------------------------------------------------------------------------


def _differing(here: Values, there: Values) -> Values:
    return {name: value for name, value in here.items() if value != there.get(name)}


def shown(kind: FileKind, attribute: str, value: Any) -> str:
    """A value as a person reads it in a complaint."""
    if value is None or value in ("", []):
        return "blank"
    if isinstance(value, Thing):
        return value.label
    if isinstance(value, frozenset):
        return " | ".join(sorted(one.label for one in value))
    column = next((c for c in kind.columns if c.attribute == attribute), None)
    words = getattr(column.cell, "values", {}) if column else {}
    return next((word for word, known in words.items() if known == value), str(value))


def _complain_of_differences(thing: Thing, row: Row, differing: Values, record: Values) -> None:
    kind = thing.kind
    for name, here in differing.items():
        if name in kind.dated:
            cure = "name a new change of kind correction in revised_by"
        elif kind.placed:
            cure = "name a new change in described_by"
        elif kind.recorded and kind.name != "points":
            cure = "name a new change in change"
        else:
            cure = "edit it there, not by import"
        says = f"is {shown(kind, name, here)} here and {shown(kind, name, record.get(name))} in the record"
        row.complain(kind.column_for(name), "differs", f"{says}: to correct the record, {cure}")
