"""What resolving works with: the world of things, the rows, and how a name is looked up."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from sites.changes.making import now_in
from sites.wording import perhaps
from zones.asbuilt.formats import ALL, BY_NAME, FileKind, Reference
from zones.asbuilt.formats.kinds import Sources, Values
from zones.asbuilt.parsing import Row
from zones.asbuilt.things import AFTER_RECORDED, Change, Facts, Thing, World, owner_of

# What findings are about
_PLANT = ("switches", "supplies", "amplifiers", "endpoints", "blocks", "zones", "runs")
TEST = "tests recorded"
COMPLETION = "completes an earlier import of as-built files"

# What a row gives of a thing: the row, the values of its cells, and the facts that those fill
Entry = tuple[Row, Values, Facts | None]


@dataclass(frozen=True)
class Importer:
    """Who imports, and when. ``happened_on``, ``person`` and ``reason`` stand in for a site without a row in
    changes.csv, with ``done_by`` where that is said; blank ones do not."""

    actor: str
    now: dt.datetime
    happened_on: dt.date | None = None
    person: str = ""
    reason: str = ""
    done_by: str = ""


class LookUp(NamedTuple):
    """The cells of a row, and the moment at which what they name should stand: just after ``at`` (None: now).
    ``strict``: it must stand then; else any thing of that name will do, one that stands first.
    """

    row: Row
    values: Values
    site: Thing | None = None
    at: Change | None = None
    strict: bool = False


@dataclass
class Context:
    world: World
    rows: Mapping[str, list[Row]]
    importer: Importer
    # by kind, the things that rows of the files are about, with the rows in the order of their changes
    mentioned: dict[str, dict[Thing, list[Entry]]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(list))
    )
    change_keys: dict[Thing, dict[str, Change]] = field(default_factory=lambda: defaultdict(dict))
    refused_changes: dict[Thing, dict[str, Row]] = field(default_factory=lambda: defaultdict(dict))
    # sites of which the record has plant already; the first import of any other is quiet
    with_history: set[Thing] = field(init=False)
    # whether anything ever ended, in the record or by the files
    some_end: bool = field(init=False)
    _completions: dict[Thing, Change] = field(default_factory=dict)
    _tests: dict[tuple[Thing, dt.date, str], Change] = field(default_factory=dict)

    def __post_init__(self) -> None:
        things = self.world.things
        self.some_end = any(thing.end for of_kind in things.values() for thing in of_kind)
        self.with_history = {thing.site for name in _PLANT for thing in things[name] if thing.site}

    # -- sites and changes

    def site_of(self, row: Row) -> Thing | None:
        """The site that a row names; None after it was complained about."""
        code = row.values["site"]
        lives = self.world.lives("sites", None, (code,))
        if lives:
            return _usable(row, lives[0])
        advice = perhaps(code, self.world.names("sites", None))
        row.complain(
            "site", "no_such_site", f"there is no site “{code}” in sites.csv or in the record{advice}"
        )
        return None

    def change(self, row: Row, site: Thing, column: str) -> Change | None:
        """The change that a cell names; None where it is blank, or after it was complained about."""
        key = row.values.get(column)
        if key is None:
            return None
        known = self.change_keys[site]
        if key in known:
            return known[key]
        if key in self.refused_changes[site]:
            row.wait_for(self.refused_changes[site][key])
        else:
            message = f"changes.csv has no change “{key}” of site {site.label}{perhaps(key, known)}"
            row.complain(column, "no_such_change", message)
        return None

    def first_named(self, site: Thing | None) -> Change | None:
        """The first change that the files have of a site."""
        changes = self.change_keys[site].values() if site is not None else ()
        return min(changes, key=lambda change: change.position, default=None)

    def first_change(self, row: Row, site: Thing) -> Change | None:
        """Where a row begins that names no change: with the first change that the files have of its site."""
        first, importer = self.first_named(site), self.importer
        if first is not None:
            return first
        if importer.happened_on and importer.person and importer.reason:
            kind = "work" if site in self.with_history else "takeover"
            change = self.add_change(site, importer.happened_on, importer.person, importer.reason, kind)
            change.values["done_by"] = importer.done_by
            self.change_keys[site][""] = change
            return change
        row.complain(
            "change",
            "no_change",
            f"is blank, and changes.csv has no change of site {site.label}: add a row with its day, person "
            "and reason, or give --day, --person and --reason",
        )
        return None

    def add_change(self, site: Thing, day: dt.date, actor: str, reason: str, kind: str) -> Change:
        given = {"happened_on": day, "actor": actor, "reason": reason, "kind": kind}
        changes = self.world.changes[site]
        order = AFTER_RECORDED + len(changes)
        values = BY_NAME["changes"].own_blank | given
        changes.append(Change(site, "", values, order, quiet=site not in self.with_history))
        return changes[-1]

    def change_for_day(self, row: Row, site: Thing, day: dt.date) -> Change | None:
        """Who wrote a test or a visit of a day that names no change: the last change of its day, else the
        first one after it, else one of its own, by the technician."""
        changes = sorted(self.change_keys[site].values(), key=lambda change: change.position)
        if not changes:
            return self.first_change(row, site)
        same = [change for change in changes if change.happened_on == day]
        after = [change for change in changes if change.happened_on > day]
        if same or after:
            return same[-1] if same else after[0]
        person = row.values.get("technician") or self.importer.actor
        if (site, day, person) not in self._tests:
            self._tests[site, day, person] = self.add_change(site, day, person, TEST, "work")
        return self._tests[site, day, person]

    def writer(self, change: Change) -> Change:
        """Who writes a new row that holds from ``change``: that change, unless the record has it already.
        An accepted change set is never added to; what was left out of one is a record correction of today.
        """
        if not change.recorded:
            return change
        site = change.site
        if site not in self._completions:
            today, actor = self.today(site), self.importer.actor
            self._completions[site] = self.add_change(site, today, actor, COMPLETION, "correction")
        return self._completions[site]

    def today(self, site: Thing) -> dt.date:
        """The day of the import at a site."""
        return self.now(site).date()

    def now(self, site: Thing) -> dt.datetime:
        """When the import was begun, as clocks at a site show it."""
        return now_in(site.values.get("time_zone", "UTC"), self.importer.now)

    # -- names

    def read(self, look: LookUp, sources: Sources) -> Values:
        """What a row says of attributes: only those that it gives, with things for names."""
        read: Values = {}
        for attribute, source in sources.items():
            if isinstance(source, Reference):
                thing = self.refer(look, source)
                if thing is not None:
                    read[attribute] = thing
            elif source is not None and source.name in look.values:
                read[attribute] = look.values[source.name]
        return read

    def key(self, look: LookUp, parts: Sequence[str | Reference]) -> tuple[Any, ...] | None:
        """The key that a row gives in ``parts``; None after one of them was complained about."""
        key: list[Any] = []
        for part in parts:
            if isinstance(part, Reference):
                key.append(self.refer(look, part))
                if key[-1] is None and look.values.get(part.columns[-1]) is not None:
                    return None
            else:
                key.append(look.values.get(part))
        return tuple(key)

    def refer(self, look: LookUp, reference: Reference) -> Thing | None:
        """The thing that a reference's cells name; None where they are blank, or after a complaint."""
        row, values, site, at, strict = look
        column = reference.columns[-1]
        if values.get(column) is None:
            return None
        kind = BY_NAME[reference.to]
        site = site if kind.sited else None
        key = self.key(look, reference.parts)
        if key is None:
            return None
        lives = self.world.lives(kind.name, site, key)
        if len(lives) == 1 and not lives[0].refused and lives[0].stands_at(at):
            return lives[0]  # as nearly always
        name = str(key[-1])
        if not lives:
            owner = owner_of(site, key)
            where = f" of {owner.label}" if owner is not None else ""
            advice = perhaps(name, self.world.names(kind.name, owner))
            what = kind.name.replace("_", " ")
            message = f"there is no “{name}” among the {what}{where}, in {kind.file} or in the record{advice}"
            row.complain(column, "no_such_thing", message)
            return None
        lives = [life for life in lives if not life.refused] or lives
        standing = [life for life in lives if life.stands_at(at)]
        if standing:
            return _usable(row, standing[-1])
        if not strict or at is None:
            return _usable(row, next((life for life in lives if life.end is None), lives[-1]))
        later = next((life.begin for life in lives if life.begin and life.begin.position > at.position), None)
        ended = lives[-1].end
        when = (
            f"begins only with the change of {later.label}"
            if later
            else f"was taken out by the change of {ended.label if ended else ''}"
        )
        row.complain(column, "not_there_then", f"“{name}” {when}; this row holds from {at.happened_on}")
        return None

    # -- refusal

    def put_site_aside(self, cause: Row) -> None:
        """Let every row of the site that a refused row names wait for it."""
        code = cause.cells.get("site", "")
        for site in self.world.lives("sites", None, (code,)):
            site.refused = True
        for kind in ALL:
            column = "code" if kind.name == "sites" else "site"
            for row in self.rows.get(kind.name, []):
                if row.cells.get(column) == code and not row.is_refused():
                    row.wait_for(cause)

    def withdraw(self, kind: FileKind) -> None:
        """Let refused rows take with them what rests on them: the thing of a refused first row, the later
        rows of a thing whose row is refused, the other records of a row of which one is refused, and
        whatever took the name of a thing whose end is refused.
        """
        mentioned = self.mentioned[kind.name]
        again = True
        while again:
            again = False
            for thing, entries in mentioned.items():
                place = next((at for at, (row, _, _) in enumerate(entries) if row.is_refused()), None)
                if place is None:
                    continue
                again |= _let_wait(entries[place:], entries[place][0])
                thing.refused = thing.refused or (place == 0 and not thing.recorded)
                if thing.end is None or thing.end_row is None or not thing.end_row.is_refused():
                    continue
                for other in self.world.lives(kind.name, thing.site, thing.key):
                    begin = other.begin
                    if other is not thing and begin is not None and begin.position >= thing.end.position:
                        again |= _let_wait(mentioned.get(other, []), thing.end_row)
        for thing in mentioned:
            if thing.end_row is not None and thing.end_row.is_refused():
                thing.end = thing.end_row = None
            thing.facts = [
                facts for facts in thing.facts if facts.recorded or not (facts.row and facts.row.is_refused())
            ]


def _usable(row: Row, thing: Thing) -> Thing:
    """The thing, even where it is refused: the row then waits, but is still looked at to its end."""
    if thing.refused:
        row.wait_for(thing.row)
    return thing


def _let_wait(entries: list[Entry], cause: Row) -> bool:
    """Put rows aside with ``cause``; whether any of them was not yet."""
    fresh = [row for row, _, _ in entries if not row.is_refused()]
    for row in fresh:
        row.wait_for(cause)
    return bool(fresh)
