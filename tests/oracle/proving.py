"""What proves a run, what asks for a test of it again, and when its next one is due.

Before an endpoint goes into service every run behind it has passed four tests; each counts until something
that it tried is wired otherwise. A site that was taken over has a survey day instead: what stood then counts
as tested on that day, but for what was tested by itself. The contract says after how many months all four are
to have passed again.
"""

from __future__ import annotations

import calendar
import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from sites.changes.steps import day_of, first_step_after

from .record import FOREVER, ReadingRow, Record, Row

TESTS = ("continuity", "shorts", "polarity", "tone_trace")
ASKS_AGAIN = {
    # cable was cut or joined: whatever was tried of the conductors is to be tried again
    "point": set(TESTS),
    "cable": set(TESTS),
    # wires taken off a device and put on another: they may be loose, or crossed
    "device": {"continuity", "polarity"},
    # wires moved on the block: they may go to another place as well
    "landing": {"continuity", "polarity", "tone_trace"},
    # another source: the run itself was not touched
    "feed": {"polarity", "tone_trace"},
}


class Wired(NamedTuple):
    """Something that was done to the wiring of a run. pair: of a landing, else 0. writer: the change set."""

    step: int
    what: str
    pair: int
    writer: int


@dataclass(frozen=True)
class Proof:
    """One of the four tests of a run. test: the newest one, None: there is none, or the survey stands for it.
    because: what was wired since, of what it tries."""

    verdict: str
    test: int | None = None
    surveyed: bool = False
    because: tuple[Wired, ...] = ()


class Due(NamedTuple):
    contract: int
    due_on: dt.date
    proven_on: dt.date | None
    surveyed: bool


class Proving:
    """The proofs of a record's runs, on any day."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self._wired: dict[int, list[Wired]] = {}

    # --- what was done to the wiring ----------------------------------------------------------------------

    def wired(self, run: int) -> list[Wired]:
        if run not in self._wired:
            self._wired[run] = sorted({*self._of_points(run), *self._of_run(run), *self._of_landings(run)})
        return self._wired[run]

    def _of_points(self, run: int) -> Iterable[Wired]:
        by_point: dict[int, list[Row]] = {}
        for row in self.record.points:
            if row["run_id"] == run:
                by_point.setdefault(row.thing, []).append(row)
        for rows in by_point.values():
            before: Row | None = None
            for row in sorted(rows, key=lambda row: row.begin):
                if before is None:
                    yield Wired(row.begin, "point", 0, row.writer)
                else:
                    yield from _between(before, row)
                before = row

    def _of_run(self, run: int) -> Iterable[Wired]:
        before: Row | None = None
        for row in sorted((r for r in self.record.runs if r.thing == run), key=lambda row: row.begin):
            if before is not None and _other(before, row, "supply_id", "output_id", "amplifier_id"):
                yield Wired(row.begin, "feed", 0, row.writer)
            before = row

    def _of_landings(self, run: int) -> Iterable[Wired]:
        for row in self.record.landings:
            if row["run_id"] == run and row["carries"] != "spare":
                for step in {row.begin, row.end} - {FOREVER}:
                    yield Wired(step, "landing", row["pair"], row.writer)

    # --- what was tested ----------------------------------------------------------------------------------

    def tests(self, run: int, step: int) -> dict[str, Proof]:
        """The four tests of a run as of a step."""
        return {kind: self._test(run, kind, step) for kind in TESTS}

    def _test(self, run: int, kind: str, step: int) -> Proof:
        taken = self._taken(run, kind, step)
        survey = self.surveyed_at(run)
        counts = survey is not None and survey <= step and (taken is None or taken.step < survey)
        if not counts and taken is None:
            return Proof("missing")
        since = survey if counts else taken.step if taken is not None else None
        assert since is not None
        because = tuple(
            each for each in self.wired(run) if since < each.step <= step and kind in ASKS_AGAIN[each.what]
        )
        if counts:
            return Proof("to_repeat" if because else "passed", None, True, because)
        assert taken is not None
        verdict = "failed" if not taken.passed else "to_repeat" if because else "passed"
        return Proof(verdict, taken.id, False, because)

    def _taken(self, run: int, kind: str, step: int) -> ReadingRow | None:
        mine = [
            test for test in self.record.tests if test.run == run and test.kind == kind and test.step <= step
        ]
        return max(mine, key=lambda test: (day_of(test.step), test.taken), default=None)

    def surveyed_at(self, run: int) -> int | None:
        """The step at which a survey found the run."""
        if self.record.surveyed_on is None:
            return None
        step = first_step_after(self.record.surveyed_on) - 1
        stood = any(row.thing == run and row.holds(step) for row in self.record.runs)
        return step if stood else None

    def proven(self, run: int, step: int) -> bool:
        return all(each.verdict == "passed" for each in self.tests(run, step).values())

    # --- in service ---------------------------------------------------------------------------------------

    def unproven(self, step: int) -> dict[int, bool]:
        """Of each run whose device is in service, whether it is not proven."""
        out = {}
        for run in self.record.runs:
            if run.holds(step) and run["output_id"] is not None and self._serves(run["output_id"], step):
                out[run.thing] = not self.proven(run.thing, step)
        return out

    def _serves(self, output: int, step: int) -> bool:
        """Whether the device of an output is in service, and that was recorded since proofs are kept only: of
        what was recorded before of the same time in service nobody asks a proof."""
        kept = self.record.proofs_kept
        endpoint = self.record.output_endpoint.get(output)
        stands = any(row.thing == output and row.holds(step) for row in self.record.outputs)
        rows = sorted((r for r in self.record.endpoints if r.thing == endpoint), key=lambda row: row.begin)
        serving: list[Row] = []
        for row in rows:
            if row["service"] != "in_service":
                if row.begin > step:
                    break
                serving = []
            else:
                serving.append(row)
        if not stands or not any(row.holds(step) for row in serving):
            return False
        return kept is None or all(self.record.served[row.thing, row["step"]] >= kept for row in serving)

    # --- due ----------------------------------------------------------------------------------------------

    def due(self, step: int) -> dict[int, Due]:
        """The next due test of each run, where a contract with an interval covers the site on the day."""
        day, kept = day_of(step), self.record.proofs_kept
        covered = next(
            (
                each
                for each in self.record.covered
                if each.months is not None and each.first <= day and (each.end is None or day < each.end)
            ),
            None,
        )
        if covered is None or covered.months is None or kept is None:
            return {}
        found = {}
        for run in {row.thing for row in self.record.runs if row.holds(step)}:
            proven_at = self._complete(run, step)
            proven_on = None if proven_at is None else day_of(proven_at)
            first_day = day_of(min(row.begin for row in self.record.runs if row.thing == run))
            begins = [proven_on or first_day, kept, self.record.surveyed_on or kept]
            surveyed = proven_at is not None and proven_at == self.surveyed_at(run)
            by_itself = any(
                test.run == run and test.kind in TESTS and test.step == proven_at
                for test in self.record.tests
            )
            due_on = _months_after(max(begins), covered.months)
            found[run] = Due(covered.contract, due_on, proven_on, surveyed and not by_itself)
        return found

    def _complete(self, run: int, step: int) -> int | None:
        """The last step at which tests, or the survey, made the run proven, or all four were passed again."""
        survey = self.surveyed_at(run)
        passed = {
            kind: [
                test.step
                for test in self.record.tests
                if test.run == run and test.kind == kind and test.passed
            ]
            + ([] if survey is None else [survey])
            for kind in TESTS
        }
        last = None
        for each in sorted({at for steps in passed.values() for at in steps if at <= step}):
            since = last or 0
            all_again = all(any(since < at <= each for at in steps) for steps in passed.values())
            if self.proven(run, each) and (all_again or not self.proven(run, each - 1)):
                last = each
        return last

    def steps(self) -> list[int]:
        """Every step at which a proof may become another one."""
        found = {test.step for test in self.record.tests}
        found |= {each.step for run in self.record.run_kind for each in self.wired(run)}
        return sorted(found)


def _between(before: Row, row: Row) -> Iterable[Wired]:
    if _other(before, row, "parent_id", "cable_type_id", "dc_pairs", "negative_cut"):
        yield Wired(row.begin, "cable", 0, row.writer)
    elif _other(before, row, "kind", "model_id", "device_kind"):
        yield Wired(row.begin, "device", 0, row.writer)
    if _other(before, row, "feed_supply_id"):
        yield Wired(row.begin, "feed", 0, row.writer)


def _other(before: Row, row: Row, *columns: str) -> bool:
    return any(before[column] != row[column] for column in columns)


def _months_after(day: dt.date, months: int) -> dt.date:
    """The same day of that month, or its last one."""
    years, month = divmod(day.month - 1 + months, 12)
    year = day.year + years
    return dt.date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))
