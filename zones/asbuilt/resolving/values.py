"""What is said of a thing: cells to attributes, with things for names, and compared with what the record
says.
"""

from __future__ import annotations

from typing import Any

from zones.asbuilt.formats import BY_NAME, FileKind, Reference
from zones.asbuilt.formats.kinds import Values
from zones.asbuilt.parsing import Row
from zones.asbuilt.things import Change, Facts, Thing

from .context import Context
from .rules import check_block_row, check_facts

_MEMBER = Reference("zone", "zones", ("zones",))


def check_customers(context: Context) -> None:
    """A site whose customer is refused is refused before anything asks for the site."""
    kind = BY_NAME["sites"]
    for row in context.rows.get("sites", []):
        if not row.is_refused():
            context.refer(row, kind.references[0], None, row.values, None, strict=False)


def settle(context: Context, kind: FileKind) -> None:
    """Fill things and facts of a kind from their rows, and complain where they contradict the record."""
    for thing, spoken in context.spoken[kind.name].items():
        first_row, first_values, _ = spoken[0]
        if not first_row.problems:
            _settle_own(context, thing, first_row, first_values)
        for row, values, facts in spoken:
            if kind.name in ("landings", "clips"):
                check_block_row(thing, row)
            if row is not first_row and not row.problems:
                _same_as_first(context, thing, row, values, first_row)
            if facts is not None and not row.problems:
                _settle_facts(context, thing, facts, row, values)
        if thing.recorded and kind.facts is not None:
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
        thing.values = _with_defaults(kind, own)
        _take_writers(context, thing, row)
        return
    differing = {name: value for name, value in own.items() if value != thing.values.get(name)}
    if not differing:
        return
    writer = _rewriter(context, thing, row)
    if row.is_refused():
        return
    if writer is not None and not writer.recorded:
        if "zones" in differing and not thing.values["zones"] <= differing["zones"]:
            row.complain(
                "zones", "differs", "a zone is never taken out of a paging set: end the set and begin another"
            )
            return
        thing.values |= differing
        thing.writer, thing.rewritten, thing.row = writer, True, row
        return
    for name, value in differing.items():
        _complain_of_difference(thing, row, name, value, thing.values.get(name))


def _own_values(context: Context, thing: Thing, row: Row, values: Values) -> Values:
    """What a row says of the undated attributes: only those that it gives. A blank says nothing."""
    kind = thing.kind
    own: Values = {attribute: values[name] for name, attribute, _ in kind.own_columns if name in values}
    for reference in kind.own_references:
        named = context.refer(row, reference, thing.site, values, thing.begin, strict=False)
        if named is not None:
            own[reference.attribute] = named
    if kind.name == "paging_sets" and "zones" in values:
        own["zones"] = _members(context, thing, row, values)
    return own


def _members(context: Context, thing: Thing, row: Row, values: Values) -> frozenset[Thing]:
    """A set's zones need not stand when the set begins: they are no dated fact of it."""
    found = [
        context.refer(row, _MEMBER, thing.site, {"zones": name}, thing.begin, strict=False)
        for name in values["zones"]
    ]
    return frozenset(zone for zone in found if zone is not None)


def _with_defaults(kind: FileKind, own: Values) -> Values:
    blank = {attribute: default for _, attribute, default in kind.own_columns}
    refs = {reference.attribute: None for reference in kind.own_references}
    return {
        name: list(value) if isinstance(value, list) else value
        for name, value in (blank | refs | own).items()
    }


def _take_writers(context: Context, thing: Thing, row: Row) -> None:
    """Say who writes a new thing's own row: first, and last where another change described it since."""
    site = thing if thing.kind.name == "sites" else thing.site
    if site is None:
        return
    if thing.begin is None:
        named = context.change(row, site, "change") or (
            None if row.is_refused() else context.first_change(row, site)
        )
        thing.writer = None if named is None else context.writer(named)
        return
    thing.writer = context.writer(context.change(row, site, "revised_by") or thing.begin)
    described = context.change(row, site, "described_by")
    thing.described = None if described is None else context.writer(described)


def _rewriter(context: Context, thing: Thing, row: Row) -> Change | None:
    """The change by which a row claims to know a recorded thing better."""
    if thing.kind.name == "sites":
        return context.change(row, thing, "change")
    if thing.site is None or (thing.kind.facts is not None and not thing.kind.placed):
        return None
    return context.change(row, thing.site, "described_by" if thing.kind.placed else "change")


def _same_as_first(context: Context, thing: Thing, row: Row, values: Values, first: Row) -> None:
    """Later rows of a thing may leave blank what is not dated, or repeat it."""
    said = thing.values
    for name, value in _own_values(context, thing, row, values).items():
        if not first.is_refused() and value != said.get(name):
            column = thing.kind.column_for(name)
            stands = f"it stands in row {first.number} as “{shown(thing.kind, name, said.get(name))}”"
            row.complain(column, "not_dated", f"is not dated: {stands}; leave it blank here")


# --- dated facts --------------------------------------------------------------------------------------------


def _settle_facts(context: Context, thing: Thing, facts: Facts, row: Row, values: Values) -> None:
    assert thing.site is not None
    revised = context.change(row, thing.site, "revised_by")
    if revised is not None and not revised.is_correction:
        message = (
            f"“{revised.key}” is {revised.values['kind']}: only a change of kind correction rewrites facts"
        )
        row.complain("revised_by", "not_a_correction", message)
    new = _dated_values(context, thing, facts.change, row, values)
    if not row.is_refused():
        check_facts(thing, row, new)
    if row.is_refused():
        return
    if not facts.recorded:
        facts.values = new
        facts.writer = context.writer(revised or facts.change)
        return
    differing = {name: value for name, value in new.items() if value != facts.values.get(name)}
    if not differing:
        return
    if revised is not None and not revised.recorded:
        facts.values = new
        facts.writer, facts.rewritten = revised, True
        return
    for name, value in differing.items():
        _complain_of_difference(thing, row, name, value, facts.values.get(name))


def _dated_values(context: Context, thing: Thing, at: Change, row: Row, values: Values) -> Values:
    """The complete facts that a row gives: a blank is unknown, or the column's default."""
    kind = thing.kind
    new: Values = {attribute: values.get(name, default) for name, attribute, default in kind.dated_columns}
    for reference in kind.dated_references:
        new[reference.attribute] = context.refer(row, reference, thing.site, values, at, strict=True)
    if kind.fill is not None:
        kind.fill(new, values)
    return new


def _refuse_rewriting_of_history(thing: Thing) -> None:
    """New facts before recorded ones that the files do not give: those were written without knowing of
    these.
    """
    for facts in thing.facts:
        if facts.recorded or facts.row is None:
            continue
        unseen = [
            one
            for one in thing.facts
            if one.recorded and one.row is None and one.change.position > facts.change.position
        ]
        if unseen:
            later = min(unseen, key=lambda one: one.change.position)
            facts.row.complain(
                "change",
                "contradicts_later",
                f"holds from {facts.change.happened_on}, but the record has later facts of it, from the "
                f"change of {later.change.label}: give those in a row too, or date this after them",
            )


# --- telling ------------------------------------------------------------------------------------------------


def shown(kind: FileKind, attribute: str, value: Any) -> str:
    """A value as a person reads it in a complaint."""
    if value is None or value in ("", []):
        return "blank"
    if isinstance(value, Thing):
        return value.label
    if isinstance(value, frozenset):
        return " | ".join(sorted(shown(kind, attribute, one) for one in value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    column = next((c for c in kind.columns if c.attribute == attribute), None)
    words = getattr(column.cell, "values", None) if column else None
    if words is not None:
        return next((word for word, known in words.items() if known == value), str(value))
    return str(value)


def _complain_of_difference(thing: Thing, row: Row, name: str, here: Any, there: Any) -> None:
    kind = thing.kind
    column = kind.column_for(name)
    says = f"is {shown(kind, name, here)} here and {shown(kind, name, there)} in the record"
    if name in kind.dated:
        cure = "name a new change of kind correction in revised_by"
    elif kind.placed:
        cure = "name a new change in described_by"
    elif kind.recorded and kind.name != "points":
        cure = "name a new change in change"
    else:
        cure = "edit it there, not by import"
    row.complain(column, "differs", f"{says}: to correct the record, {cure}")
