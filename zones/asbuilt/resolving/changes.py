"""Which change of the files is which change set of the record, and in which order the new ones come."""

from __future__ import annotations

from collections import defaultdict

from sites.rules.days import day_has_come
from zones.asbuilt.formats import BY_NAME
from zones.asbuilt.parsing import Row
from zones.asbuilt.things import AFTER_RECORDED, Change, Thing

from .context import Context, LookUp

# What identifies a change of a site, with its kind where that is given
_SAME = ("happened_on", "actor", "done_by", "job_reference", "reason")


def changes_of_sites(context: Context) -> None:
    """Give every row of changes.csv its change: one that the record has, or a new one in order of day, then
    file.
    """
    by_site: dict[Thing, dict[str, Row]] = defaultdict(dict)
    for row in context.rows.get("changes", []):
        site = None if row.is_refused() else context.site_of(row)
        if site is None or row.problems:
            _remember_refused(context, row)
            continue
        planned = row.values.get("planned", False)
        row.refuse(day_has_come(row.values["day"], context.today(site), planned=planned))
        first = by_site[site].setdefault(row.values["change"], row)
        if first is not row:
            message = f"“{row.values['change']}” is in row {first.number} too: a key stands once a site"
            row.complain("change", "key_twice", message)
    for site, rows in by_site.items():
        _match(context, site, list(rows.values()))


def _remember_refused(context: Context, row: Row) -> None:
    """Note a refused change, so that rows that name it wait for it, and do not report it as missing."""
    lives = context.world.lives("sites", None, (row.cells.get("site", ""),))
    key = row.cells.get("change", "")
    if lives and key:
        context.refused_changes[lives[0]].setdefault(key, row)


def _match(context: Context, site: Thing, rows: list[Row]) -> None:
    """Rows that say the same day, people, job, reason and kind are the same change sets: the first of each
    the first.
    """
    kind = BY_NAME["changes"]
    recorded: dict[tuple[object, ...], list[Change]] = defaultdict(list)
    for change in context.world.changes[site]:
        recorded[tuple(change.values[name] for name in _SAME)].append(change)
    new: list[Change] = []
    quiet = site not in context.with_history
    for place, row in enumerate(rows):
        key = row.values["change"]
        values = kind.own_blank | context.read(LookUp(row, row.values), kind.own)
        same = recorded[tuple(values[name] for name in _SAME)]
        match = next((one for one in same if values["kind"] in (None, one.values["kind"])), None)
        if match is None:
            match = Change(site, key, values, AFTER_RECORDED + place, row=row, quiet=quiet)
            new.append(match)
        else:
            same.remove(match)
            match.key, match.row = key, row
        context.change_keys[site][key] = match
    new.sort(key=lambda change: change.position)
    for place, change in enumerate(new):
        usual = "takeover" if place == 0 and quiet else "work"
        change.values["kind"] = change.values["kind"] or usual
    context.world.changes[site] += new
