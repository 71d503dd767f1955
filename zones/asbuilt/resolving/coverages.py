"""Coverages, which are spans of days: a contract covers a site from a day until a day."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict

from zones.asbuilt.formats import BY_NAME
from zones.asbuilt.parsing import Row
from zones.asbuilt.things import Thing

from .context import Context, LookUp


def settle_coverages(context: Context) -> None:
    """One contract at a time covers a site. A span that is open in the record may be given its end."""
    kind = BY_NAME["coverages"]
    spans: dict[Thing, list[Thing]] = defaultdict(list)
    for thing in context.world.things[kind.name]:
        spans[thing.key[1]].append(thing)
    for row in context.rows.get(kind.name, []):
        if row.is_refused():
            continue
        contract = context.refer(LookUp(row, row.values), kind.references[0])
        site = context.site_of(row)
        if contract is None or site is None or row.is_refused():
            continue
        begin, until = row.values["covered_from"], row.values.get("covered_until")
        same = [one for one in spans[site] if one.key[0] is contract and one.key[2] == begin]
        if same:
            thing = same[0]
            if thing.row is not None:
                row.complain("covered_from", "key_twice", f"row {thing.row.number} gives this span already")
            else:
                thing.row = row
                _give_end(row, thing, until, spans[site])
        else:
            thing = Thing(kind, None, (contract, site, begin), {"covered_until": until}, row=row)
            _refuse_overlap(row, thing, spans[site])
            if not row.is_refused():
                context.world.add(thing)
                spans[site].append(thing)
        context.mentioned[kind.name][thing].append((row, row.values, None))


def _give_end(row: Row, thing: Thing, until: dt.date | None, spans: list[Thing]) -> None:
    held = thing.values["covered_until"]
    if until is None or until == held:
        return
    if held is not None:
        row.complain(
            "covered_until",
            "differs",
            f"is {until} here and {held} in the record: edit it there, not by import",
        )
        return
    thing.values["covered_until"], thing.rewritten = until, True
    _refuse_overlap(row, thing, [one for one in spans if one is not thing])


def _refuse_overlap(row: Row, thing: Thing, spans: list[Thing]) -> None:
    begin, end = thing.key[2], thing.values["covered_until"] or dt.date.max
    for other in spans:
        other_end = other.values["covered_until"] or dt.date.max
        if begin < other_end and other.key[2] < end:
            until = "on" if other_end == dt.date.max else f"to {other_end}"
            message = (
                f"contract {other.key[0].key[-1]} covers the site from {other.key[2]} {until}: one at a time"
            )
            row.complain("covered_from", "overlap", message)
            return
