"""The proof of a run: which of its four tests still count, and after which change one must be repeated.

Before an endpoint goes into service every run behind it has passed continuity, shorts, polarity and a tone
trace (common practice, no source: test every connection before the gateway is patched to the network). A test
counts until something that it tried is changed; what a change asks for again is common practice too. Of a
site that was taken over, the survey stands for the tests of what it found.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Final, NamedTuple

import numpy as np

from .bands import IntArray
from .figures import FigureBlock, Subjects
from .plant import (
    FOREVER,
    BoolArray,
    Carries,
    Members,
    Plant,
    PointRows,
    Service,
    Table,
    expand,
    last_step_of,
    months_after,
    ordinal_of,
    select,
)
from .subjects import SubjectKind


class ProofTest(IntEnum):
    """The tests that make up a proof, in the order of work."""

    CONTINUITY, SHORTS, POLARITY, TONE_TRACE = range(4)


class WiringChange(IntEnum):
    """What was done to a run's wiring."""

    POINT, CABLE, DEVICE, LANDING, FEED = range(5)


ALL: Final = frozenset(ProofTest)
REPEATS: Final[Mapping[WiringChange, frozenset[ProofTest]]] = {
    # a cut cable: every conductor was opened and joined again
    WiringChange.POINT: ALL,
    WiringChange.CABLE: ALL,
    # its wires were taken off and put on again; the run's other conductors were not touched
    WiringChange.DEVICE: frozenset({ProofTest.CONTINUITY, ProofTest.POLARITY}),
    WiringChange.LANDING: frozenset({ProofTest.CONTINUITY, ProofTest.POLARITY, ProofTest.TONE_TRACE}),
    # patched to another source: what was landed stayed where it was
    WiringChange.FEED: frozenset({ProofTest.POLARITY, ProofTest.TONE_TRACE}),
}

_DEVICE = ("kind", "model_index", "device_kind")
_FEED = ("supply_index", "output_index", "amplifier_index")


class Changed(NamedTuple):
    """A change of a run's wiring. step: of it. pairs: of a landing, the number of the pair, else 0. by: id of
    the change set that wrote it."""

    step: int
    change: WiringChange
    pair: int
    by: int


class TakenTest(NamedTuple):
    """A test of a proof. step: whose record was tested. place: grows by the order in which the tests of a day
    were taken."""

    id: int
    kind: ProofTest
    step: int
    passed: bool
    place: int = 0


class Verdict(IntEnum):
    """Verdict of one test of a proof. TO_REPEAT: it passed, and something that it tried was changed since."""

    PASSED, FAILED, MISSING, TO_REPEAT = range(4)


@dataclass(frozen=True)
class ProofOfTest:
    """test: the newest one, None: there is none. because: the changes since, after which it must be
    repeated."""

    kind: ProofTest
    verdict: Verdict
    test: TakenTest | None
    because: tuple[Changed, ...]


def wiring_changes(plant: Plant, run: int) -> list[Changed]:
    """What was done to the wiring of a run, by step.

    run: its index in ``plant``. Corrections of the record are none: they rewrite the rows of what was wired.
    """
    return _wiring_changes(plant, np.array([run])).get(run, [])


def _wiring_changes(plant: Plant, wanted: IntArray) -> dict[int, list[Changed]]:
    """The same of several runs: by run, where there are some."""
    found: dict[int, set[Changed]] = defaultdict(set)

    def add(table: Table, rows: IntArray, of_run: IntArray, change: WiringChange) -> None:
        for run, step, by in zip(
            of_run[rows].tolist(), table.begin[rows].tolist(), table.changed_by[rows].tolist(), strict=True
        ):
            found[run].add(Changed(step, change, 0, by))

    points = plant.points
    first, before, after = _lives(points, points.point_index, np.isin(points.run_index, wanted))
    wired = _differ(points, before, after, PointRows.WIRED)
    device = ~wired & _differ(points, before, after, _DEVICE)
    add(points, first, points.run_index, WiringChange.POINT)
    add(points, after[wired], points.run_index, WiringChange.CABLE)
    add(points, after[device], points.run_index, WiringChange.DEVICE)
    fed = _differ(points, before, after, ("feed_supply_index",))
    add(points, after[fed], points.run_index, WiringChange.FEED)
    runs = plant.runs
    _, before, after = _lives(runs, runs.run_index, np.isin(runs.run_index, wanted))
    fed = _differ(runs, before, after, _FEED)
    add(runs, after[fed], runs.run_index, WiringChange.FEED)
    landings = plant.landings
    landed = np.isin(landings.run_index, wanted) & (landings.carries != Carries.SPARE)
    for row in np.flatnonzero(landed).tolist():
        run, pair, by = (
            int(column[row]) for column in (landings.run_index, landings.pair, landings.changed_by)
        )
        for step in (int(landings.begin[row]), int(landings.end[row])):
            if step != FOREVER:
                found[run].add(Changed(step, WiringChange.LANDING, pair, by))
    return {run: sorted(changes) for run, changes in found.items()}


def proof(changes: Sequence[Changed], tests: Iterable[TakenTest], step: int) -> tuple[ProofOfTest, ...]:
    """The four tests of a run as of a step, in the order of work.

    changes: all of its wiring, by step; tests: those of it, in any order; step: later ones are left out. Of
    several tests of a day the one taken last counts.
    """
    newest: dict[ProofTest, TakenTest] = {}
    for test in sorted(tests, key=lambda one: (ordinal_of(one.step), one.place, one.step, one.id)):
        if test.step <= step:
            newest[test.kind] = test
    changes = [one for one in changes if one.step <= step]
    return tuple(_proof_of_test(kind, newest.get(kind), changes) for kind in ProofTest)


def _proof_of_test(kind: ProofTest, test: TakenTest | None, changes: Sequence[Changed]) -> ProofOfTest:
    since = tuple(
        one for one in changes if kind in REPEATS[one.change] and (test is None or one.step > test.step)
    )
    if test is None:
        return ProofOfTest(kind, Verdict.MISSING, None, ())
    if not test.passed:
        return ProofOfTest(kind, Verdict.FAILED, test, since)
    return ProofOfTest(kind, Verdict.TO_REPEAT if since else Verdict.PASSED, test, since)


def _lives(table: Table, thing: IntArray, chosen: BoolArray) -> tuple[IntArray, IntArray, IntArray]:
    """The first row of each thing, and the pairs of its rows that follow each other; of the chosen rows."""
    rows = np.flatnonzero(chosen)
    rows = rows[np.lexsort((table.begin[rows], thing[rows]))]
    again = thing[rows][1:] == thing[rows][:-1]
    return rows[np.append(True, ~again)[: len(rows)]], rows[:-1][again], rows[1:][again]


def _differ(table: Table, before: IntArray, after: IntArray, names: Sequence[str]) -> BoolArray:
    out = np.zeros(len(before), np.bool_)
    for name in names:
        column = getattr(table, name)
        out |= column[before] != column[after]
    return out


# --- in service, and due ------------------------------------------------------------------------------------

PROOF_CODES: Final = frozenset({"in_service_unproven", "test_overdue"})
SURVEY_ID: Final = -1
"""Id of a test that a survey stands for."""


class Since(IntEnum):
    """What a test has been due since: nothing that proves the run, a complete proof, or a survey."""

    NOTHING, PROOF, SURVEY = range(3)


class DueTest(NamedTuple):
    """due_on: the last day [ordinal] on which the run's next complete proof is in time. since, proven_on:
    what it is counted from and that day, 0: none. contract: its id."""

    due_on: int
    since: Since
    proven_on: int
    contract: int

    def detail(self) -> int:
        """All but the contract in one number, for the detail of a figure."""
        return (self.due_on * _DAYS + self.proven_on) * len(Since) + self.since

    @classmethod
    def of_detail(cls, detail: int) -> DueTest:
        """
        >>> DueTest.of_detail(DueTest(739_324, Since.PROOF, 738_959, 4).detail())
        DueTest(due_on=739324, since=<Since.PROOF: 1>, proven_on=738959, contract=-1)
        """
        days, since = divmod(detail, len(Since))
        return cls(days // _DAYS, Since(since), days % _DAYS, -1)


_DAYS: Final = 10**7
"""More than there are days."""


class History:
    """What a run's tests came to, on any day."""

    def __init__(self, changes: Sequence[Changed], tests: Sequence[TakenTest]) -> None:
        self._changes, self._tests = changes, tests
        self.complete: list[int] = []
        """The steps of tests that completed a proof."""
        for step in sorted({test.step for test in tests}):
            if self.is_proven(step) and (not self.is_proven(step - 1) or self._made_since_last(step) == ALL):
                self.complete.append(step)

    def _made_since_last(self, step: int) -> set[ProofTest]:
        """What passed since the last complete proof until a step. One test that is made again while a run is
        proven is no complete proof."""
        last = self.complete[-1] if self.complete else -1
        return {test.kind for test in self._tests if test.passed and last < test.step <= step}

    def is_proven(self, step: int) -> bool:
        """Whether all four tests count as of a step."""
        return all(one.verdict is Verdict.PASSED for one in proof(self._changes, self._tests, step))

    def since(self, step: int) -> tuple[Since, int]:
        """The last complete proof as of a step, and the day of its latest test. What was changed after it
        takes nothing from that day."""
        last = max((one for one in self.complete if one <= step), default=None)
        if last is None:
            return Since.NOTHING, 0
        surveyed = all(test.id == SURVEY_ID for test in self._tests if test.step == last)
        return Since.SURVEY if surveyed else Since.PROOF, ordinal_of(last)


def histories(plant: Plant, wanted: IntArray) -> dict[int, History]:
    """By run, of those of ``wanted`` of which each of the four tests was made, or a survey stands for
    them."""
    tests = _tests(plant, wanted)
    whole = [run for run, made in tests.items() if {test.kind for test in made} == ALL]
    changes = _wiring_changes(plant, np.array(whole, np.int64)) if whole else {}
    return {run: History(changes.get(run, []), tests[run]) for run in whole}


def _tests(plant: Plant, wanted: IntArray) -> dict[int, list[TakenTest]]:
    """By run, its tests; four of a survey, where the run stood then."""
    rows = plant.proof_tests
    tests: dict[int, list[TakenTest]] = defaultdict(list)
    for row in np.flatnonzero(np.isin(rows.run_index, wanted)).tolist():
        kind, step = ProofTest(int(rows.kind[row])), int(rows.begin[row])
        place = int(rows.place[row])
        taken = TakenTest(int(rows.test_id[row]), kind, step, bool(rows.passed[row]), place)
        tests[int(rows.run_index[row])].append(taken)
    surveyed = _surveyed_on(plant)
    for run in wanted[surveyed[wanted] >= 0].tolist():
        step = last_step_of(int(surveyed[run]))
        tests[run] += [TakenTest(SURVEY_ID, kind, step, passed=True, place=-1) for kind in ProofTest]
    return tests


def _surveyed_on(plant: Plant) -> IntArray:
    """(runs,) the day on which a survey found the run, −1: none did."""
    runs = plant.runs
    day = plant.surveyed_on[plant.group_site[runs.group]]
    step = last_step_of(day)
    found = (day >= 0) & (runs.begin <= step) & (step < runs.end)
    out = np.full(len(plant.run_id), -1)
    out[runs.run_index[found]] = day[found]
    return out


def tests_of_proof(plant: Plant, run: int, step: int) -> tuple[ProofOfTest, ...]:
    """The four tests of a run as of a step, a survey standing for those of what it found."""
    wanted = np.array([run])
    return proof(_wiring_changes(plant, wanted).get(run, []), _tests(plant, wanted)[run], step)


@dataclass(frozen=True)
class DueTests:
    """The next due tests of n runs. member: (n,) number of the member; row: (n,) of ``plant.runs``; due_on,
    since, proven_on, contract: (n,) as of ``DueTest``."""

    member: IntArray
    row: IntArray
    due_on: IntArray
    since: IntArray
    proven_on: IntArray
    contract: IntArray

    def one(self, place: int) -> DueTest:
        return DueTest(
            int(self.due_on[place]),
            Since(int(self.since[place])),
            int(self.proven_on[place]),
            int(self.contract[place]),
        )


def due_tests(plant: Plant, members: Members) -> DueTests:
    """The next due test of each run as of each member, where a contract with an interval covers its site.

    The interval counts from the last complete proof; from the run's first day, where it has none; but not
    from before the site was taken over, nor from before proofs were kept.
    """
    runs, covers = plant.runs, plant.covers
    cover = _covering(plant, members)
    owner, row = select(plant, "runs", members)
    kept = cover[owner] >= 0
    owner, row = owner[kept], row[kept]
    run = runs.run_index[row]
    begun = np.full(len(plant.run_id), FOREVER)
    np.minimum.at(begun, runs.run_index, runs.begin)
    # a survey alone is a complete proof of what it found, even if that was changed since
    surveyed = _surveyed_on(plant)[run]
    by_survey = (surveyed >= 0) & (last_step_of(surveyed) <= members.step[owner])
    since = np.where(by_survey, int(Since.SURVEY), int(Since.NOTHING))
    proven_on = np.where(by_survey, surveyed, 0)
    tested = np.isin(run, plant.proof_tests.run_index)
    known = histories(plant, np.unique(run[tested])) if tested.any() else {}
    for place in np.flatnonzero(tested).tolist():
        if int(run[place]) in known:
            since[place], proven_on[place] = known[int(run[place])].since(int(members.step[owner[place]]))
    first_day = ordinal_of(begun[run])
    site = members.site[owner]
    counted = np.maximum(np.where(proven_on > 0, proven_on, first_day), plant.surveyed_on[site])
    counted = np.maximum(counted, plant.proofs_since[site])
    months = covers.months[cover[owner]]
    pairs, which = np.unique(np.stack([counted, months]), axis=1, return_inverse=True)
    due_on = np.array([months_after(*pair) for pair in pairs.T.tolist()], np.int64)[which.ravel()]
    return DueTests(owner, row, due_on, since, proven_on, covers.contract_id[cover[owner]])


def _covering(plant: Plant, members: Members) -> IntArray:
    """(members,) the row of ``plant.covers`` that holds on the day; −1: none, or no proofs are kept."""
    covers = plant.covers
    order = np.argsort(covers.site_index, kind="stable")
    first, last = (
        np.searchsorted(covers.site_index[order], members.site, side) for side in ("left", "right")
    )
    member, at = expand(first, last)
    day = ordinal_of(members.step)
    holds = (covers.first_day[order[at]] <= day[member]) & (day[member] < covers.last_day[order[at]])
    holds &= plant.proofs_since[members.site[member]] >= 0
    out = np.full(len(members), -1)
    out[member[holds]] = order[at[holds]]
    return out


def evaluate_proofs(plant: Plant, members: Members, codes: Sequence[str]) -> list[FigureBlock]:
    """Figures in_service_unproven (1 of a run whose device is in service and that is not proven, else 0) and
    test_overdue (1, from the day after it was due; without a figure before), both by run.

    codes: those wanted. A run on no output, or on one of a device that is not in service, has no figure of
    the first.
    """
    blocks = []
    runs = plant.runs
    if "test_overdue" in codes:
        due = due_tests(plant, members)
        day = ordinal_of(members.step[due.member])
        late = np.flatnonzero(day > due.due_on)
        detail = np.array([due.one(place).detail() for place in late.tolist()], np.int64)
        subjects = _of_runs(plant, due.member[late], due.row[late])
        blocks.append(subjects.figures("test_overdue", bands=np.ones(len(late)), limit=0.0, detail=detail))
    if "in_service_unproven" in codes and (plant.outputs.service == Service.IN_SERVICE).any():
        owner, row = select(plant, "outputs", members)
        served = plant.outputs.service[row] == Service.IN_SERVICE
        width = len(plant.output_id)
        in_service = owner[served] * width + plant.outputs.output_index[row[served]]
        owner, row = select(plant, "runs", members)
        output = runs.output_index[row]
        chosen = (output >= 0) & np.isin(owner * width + output, in_service)
        owner, row = owner[chosen], row[chosen]
        known = histories(plant, np.unique(runs.run_index[row]))
        steps, of_row = members.step[owner].tolist(), runs.run_index[row].tolist()
        unproven = np.array(
            [
                run not in known or not known[run].is_proven(step)
                for run, step in zip(of_row, steps, strict=True)
            ],
            np.bool_,
        )
        blocks.append(_of_runs(plant, owner, row).figures("in_service_unproven", bands=unproven, limit=0.0))
    return blocks


def steps_of_proofs(plant: Plant, runs: IntArray) -> list[tuple[int, int]]:
    """(run, step) at which the proof of some runs changes: their tests, and what was done to their wiring,
    which for a landing is in another group."""
    proof_tests = plant.proof_tests
    tested = np.isin(proof_tests.run_index, runs)
    found = set(zip(proof_tests.run_index[tested].tolist(), proof_tests.begin[tested].tolist(), strict=True))
    for run, changes in _wiring_changes(plant, runs).items():
        found |= {(run, one.step) for one in changes}
    return sorted(found)


def _of_runs(plant: Plant, member: IntArray, row: IntArray) -> Subjects:
    return Subjects(SubjectKind.RUN, member, plant.runs.run_index[row], plant.runs.group[row])
