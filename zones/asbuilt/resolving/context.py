"""What resolving works with: the world of things, the rows, and how a name is looked up."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from zones.asbuilt.formats import BY_NAME, FileKind, Reference
from zones.asbuilt.formats.kinds import Values
from zones.asbuilt.parsing import Row
from zones.asbuilt.problems import did_you_mean
from zones.asbuilt.things import Change, Facts, Thing, World

# What findings are about
_PLANT = ("switches", "supplies", "amplifiers", "endpoints", "blocks", "zones", "runs")
COMPLETION = "completes what was taken in before from as-built files"


@dataclass(frozen=True)
class Importer:
    """Who imports, and when. ``happened_on``, ``person`` and ``reason`` stand in for a site without a row in
    changes.csv; blank ones do not."""

    actor: str
    now: dt.datetime
    happened_on: dt.date | None = None
    person: str = ""
    reason: str = ""


@dataclass
class Context:
    world: World
    rows: Mapping[str, list[Row]]
    importer: Importer
    # by kind, the things that rows of the files speak of, with the rows in the order of their changes
    spoken: dict[str, dict[Thing, list[tuple[Row, Values, Facts | None]]]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(list))
    )
    change_keys: dict[Thing, dict[str, Change]] = field(default_factory=lambda: defaultdict(dict))
    refused_changes: dict[Thing, dict[str, Row]] = field(default_factory=lambda: defaultdict(dict))
    # sites of which the record has plant already; the first import of any other is quiet
    with_history: set[Thing] = field(default_factory=set)
    _completions: dict[Thing, Change] = field(default_factory=dict)

    def __post_init__(self) -> None:
        recorded = (thing for name in _PLANT for thing in self.world.things[name])
        self.with_history |= {thing.site for thing in recorded if thing.site is not None}

    # -- sites and changes

    def site_of(self, row: Row) -> Thing | None:
        """The site that a row names; None after it was complained about."""
        code = row.values["site"]
        lives = self.world.lives("sites", None, (code,))
        if not lives:
            known = self.world.names("sites", None)
            row.complain(
                "site",
                "no_such_site",
                f"there is no site “{code}” in sites.csv or in the record{did_you_mean(code, known)}",
            )
            return None
        return self._usable(row, lives[0])

    def change(self, row: Row, site: Thing, column: str) -> Change | None:
        """The change that a cell names; None where it is blank, or after it was complained about."""
        key = row.values.get(column)
        if key is None:
            return None
        found = self.change_keys[site].get(key)
        if found is not None:
            return found
        if key in self.refused_changes[site]:
            row.wait_for(self.refused_changes[site][key])
            return None
        known = self.change_keys[site]
        message = f"changes.csv has no change “{key}” of site {site.label}{did_you_mean(key, known)}"
        row.complain(column, "no_such_change", message)
        return None

    def first_change(self, row: Row, site: Thing) -> Change | None:
        """Where a row begins that names no change: with the first change that the files have of its site."""
        changes = self.change_keys[site].values()
        if changes:
            return min(changes, key=lambda change: change.position)
        if self.importer.happened_on and self.importer.person and self.importer.reason:
            return self._stand_in(site)
        row.complain(
            "change",
            "no_change",
            f"is blank, and changes.csv has no change of site {site.label}: add a row with its day, person "
            "and reason, or give --day, --person and --reason",
        )
        return None

    def _stand_in(self, site: Thing) -> Change:
        assert self.importer.happened_on is not None
        kind = "work" if site in self.with_history else "takeover"
        change = self.add_change(
            site, self.importer.happened_on, self.importer.person, self.importer.reason, kind
        )
        self.change_keys[site][""] = change
        return change

    def add_change(self, site: Thing, day: dt.date, actor: str, reason: str, kind: str) -> Change:
        values = {"actor": actor, "job_reference": "", "reason": reason, "kind": kind, "channel": "import"}
        place = len(self.world.changes[site])
        change = Change(
            site, "", day, values, Change.order_of_new(place), quiet=site not in self.with_history
        )
        self.world.changes[site].append(change)
        return change

    def writer(self, change: Change) -> Change:
        """Who writes a new row that holds from ``change``: that change, unless the record has it already.
        An accepted change set is never added to; what was left out of one is a record correction of today.
        """
        if not change.recorded:
            return change
        site = change.site
        if site not in self._completions:
            day = self.importer.now.astimezone(zoneinfo.ZoneInfo(site.values["time_zone"])).date()
            self._completions[site] = self.add_change(
                site, day, self.importer.actor, COMPLETION, "correction"
            )
        return self._completions[site]

    # -- names

    def refer(
        self,
        row: Row,
        reference: Reference,
        site: Thing | None,
        values: Values,
        at: Change | None,
        *,
        strict: bool,
    ) -> Thing | None:
        """The thing that a reference's cells name just after ``at`` (None: now); None where they are blank,
        or after a complaint. ``strict``: it must stand then; else any thing of that name will do, one that
        stands first.
        """
        parts = [values.get(column) for column in reference.columns]
        if parts[-1] is None:
            return None
        return self._find(row, BY_NAME[reference.to], site, parts, reference.columns, at, strict=strict)

    def _find(
        self,
        row: Row,
        kind: FileKind,
        site: Thing | None,
        parts: Sequence[Any],
        columns: Sequence[str],
        at: Change | None,
        *,
        strict: bool,
    ) -> Thing | None:
        site = site if kind.sited else None
        key: list[Any] = []
        place = 0
        owner = site
        for part in kind.key:
            inner = kind.reference(part)
            if inner is None:
                key.append(parts[place])
                place += 1
                continue
            end = place + len(inner.columns)
            owner = self._find(
                row, BY_NAME[inner.to], site, parts[place:end], columns[place:end], at, strict=strict
            )
            if owner is None:
                return None
            key.append(owner)
            place = end
        return self._choose(row, kind, site, tuple(key), columns[place - 1], owner, at, strict=strict)

    def _choose(
        self,
        row: Row,
        kind: FileKind,
        site: Thing | None,
        key: tuple[Any, ...],
        column: str,
        owner: Thing | None,
        at: Change | None,
        *,
        strict: bool,
    ) -> Thing | None:
        lives = self.world.lives(kind.name, site, key)
        if len(lives) == 1 and not lives[0].refused and lives[0].stands_at(at):
            return lives[0]  # as nearly always
        name = str(key[-1])
        if not lives:
            where = f" of {owner.label}" if owner is not None else ""
            advice = did_you_mean(name, self.world.names(kind.name, owner))
            what = kind.name.replace("_", " ")
            message = f"there is no “{name}” among the {what}{where}, in {kind.file} or in the record{advice}"
            row.complain(column, "no_such_thing", message)
            return None
        lives = [life for life in lives if not life.refused] or lives
        standing = [life for life in lives if life.stands_at(at)]
        if standing:
            return self._usable(row, standing[-1])
        if not strict or at is None:
            return self._usable(row, next((life for life in lives if life.end is None), lives[-1]))
        later = [life for life in lives if life.begin and life.begin.position > at.position]
        told = (
            f"begins only with the change of {later[0].begin.label}"
            if later and later[0].begin
            else f"was taken out by the change of {lives[-1].end.label if lives[-1].end else ''}"
        )
        row.complain(column, "not_there_then", f"“{name}” {told}; this row holds from {at.happened_on}")
        return None

    @staticmethod
    def _usable(row: Row, thing: Thing) -> Thing:
        """The thing, even where it is refused: the row then waits, but is still looked at to its end."""
        if thing.refused:
            row.wait_for(thing.row)
        return thing

    # -- refusal

    def withdraw(self, kind: FileKind) -> None:
        """Let refused rows take with them what rests on them: the thing of a refused first row, the later
        rows of a thing whose row is refused, the other records of a row of which one is refused, and
        whatever took the name of a thing whose end is refused.
        """
        spoken = self.spoken[kind.name]
        again = True
        while again:
            again = False
            for thing, rows in spoken.items():
                cause = next((row for row, _, _ in rows if row.is_refused()), None)
                if cause is None:
                    continue
                again |= _let_wait(rows[[row for row, _, _ in rows].index(cause) :], cause)
                thing.refused = thing.refused or (rows[0][0].is_refused() and not thing.recorded)
                if thing.end_row is not None and thing.end_row.is_refused():
                    for other in self.world.lives(kind.name, thing.site, thing.key):
                        if (
                            other is not thing
                            and other in spoken
                            and other.begin is not None
                            and thing.end is not None
                        ):
                            later = other.begin.position >= thing.end.position
                            again |= later and _let_wait(spoken[other], thing.end_row)
        for thing in spoken:
            if thing.end_row is not None and thing.end_row.is_refused():
                thing.end = thing.end_row = None
            thing.facts = [
                facts for facts in thing.facts if facts.recorded or not (facts.row and facts.row.is_refused())
            ]


def _let_wait(rows: list[tuple[Row, Values, Facts | None]], cause: Row) -> bool:
    """Put ``rows`` aside with ``cause``; whether any of them was not yet."""
    fresh = [row for row, _, _ in rows if not row.is_refused()]
    for row in fresh:
        row.wait_for(cause)
    return bool(fresh)
