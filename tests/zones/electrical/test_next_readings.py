"""What to measure next: a short list after which nothing is open that readings could settle."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
import pytest

from tests.zones.electrical.half_unknown import HalfUnknown, half_unknown
from tests.zones.electrical.judged import MEASURED, RULES
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical import plant as p
from zones.electrical.bands import LIKELY, Basis, Factors
from zones.electrical.calibration import anchor
from zones.electrical.copies import copies, members_of_copies
from zones.electrical.evaluate import evaluate
from zones.electrical.next_readings import NextReading, Proposed, next_readings
from zones.electrical.plant import ReadingKind, State
from zones.electrical.point_loads import point_loads
from zones.electrical.reading_candidates import concatenated, readable, rows_to_read
from zones.electrical.reading_trials import Figure
from zones.electrical.self_amplified import DC_CODES
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict

STEP = 5
SITES = 500
FIRST_ID = 1000
"""Ids of a plant built by hand are its numbers and so much more."""
LOOP_OHM_PER_M = 2 / (58 * math.pi / 4 * (0.127 * 92 ** (12 / 39)) ** 2)
"""24 AWG at 20 °C, out and back: 58 m/(Ω·mm²) of copper (IEC 60028), diameter of the gauge (ASTM B258)."""
DC_RULES = tuple(rule for rule in RULES if rule.code in DC_CODES)
Read = tuple[ReadingKind, State, int, int]
"""Kind, state, number of the run, and number of the point or −1."""


def proposed(plant: p.Plant) -> Proposed:
    return next_readings(plant, anchor(plant, point_loads(plant)), STEP, RULES)


def open_verdicts(plant: p.Plant) -> set[Figure]:
    """Of self-amplified runs: readings bear on no others."""
    found = evaluate(plant, p.Members.of_sites(plant, STEP), DC_RULES)
    rows = np.flatnonzero(found.verdict == Verdict.CANNOT_TELL)
    return {
        (DC_RULES[found.rule[i]].code, (SubjectKind(found.subject_kind[i]), int(found.subject_id[i])))
        for i in rows
    }


def asked(one: NextReading) -> Read:
    point = -1 if one.point_id is None else one.point_id - FIRST_ID
    return one.kind, one.state, one.run_id - FIRST_ID, point


def rows_of(plant: p.Plant, reads: list[Read]) -> p.ReadingRows:
    group = dict(zip(plant.runs.run_index.tolist(), plant.runs.group.tolist(), strict=True))
    return concatenated(
        [
            rows_to_read(plant, STEP, np.array([group[run]]), np.array([run]), kind, state, np.array([point]))
            for kind, state, run, point in reads
        ]
    )


def entered(plant: p.Plant, row: p.ReadingRows) -> p.Plant:
    """The plant with one more reading, the newest."""
    newest = replace(row, reading_id=plant.readings.reading_id.max(initial=0) + np.ones(1, np.int64))
    table = concatenated([plant.readings, newest]).ordered("run_index", "begin", "reading_id")
    return replace(plant, readings=table)


def true_readings(site: HalfUnknown, reads: list[Read]) -> dict[Read, p.ReadingRows]:
    """What instruments read there that show 1 mA and 0.01 V, voltages with that at the block."""
    truth = site.truth
    rows = rows_of(truth, reads)
    found = readable(truth, anchor(truth, point_loads(truth)), rows)
    assert len(found) == len(reads)
    digits = np.where(found.rows.kind == ReadingKind.RUN_CURRENT, 3, 2)
    value = [round(float(one), int(of)) for one, of in zip(found.value[LIKELY], digits, strict=True)]
    taken = replace(found.rows, value=np.array(value), source_voltage_v=found.rows.source_voltage_v.round(2))
    return {read: taken.rows(np.array([number])) for number, read in enumerate(reads)}


def plain_order(plant: p.Plant) -> list[Read]:
    """Run by run: its current, then the voltage at each of its points, in the order of the run."""
    reads: list[Read] = []
    for run in range(len(plant.run_id)):
        reads.append((ReadingKind.RUN_CURRENT, State.PAGING, run, -1))
        points = np.unique(plant.points.point_index[plant.points.run_index == run])
        reads += [(ReadingKind.END_VOLTAGE, State.PAGING, run, point) for point in points.tolist()]
    return reads


def walking(readings: tuple[NextReading, ...]) -> NextReading:
    """The first of them on a walk: closets before rooms."""
    return min(readings, key=lambda one: (one.point_id is not None, one.run_id))


@dataclass
class Walk:
    """What was open, what stays open after all readings and after those of the list; how many were taken by
    the list, by the plain order until as much was settled, and in all."""

    site: HalfUnknown
    before: set[Figure]
    after_all: set[Figure]
    after_list: set[Figure]
    by_list: int
    by_plain_order: int
    in_all: int


def walk(site: HalfUnknown) -> Walk:
    reads = plain_order(site.record)
    truth = true_readings(site, reads)
    before = open_verdicts(site.record)
    plant, stages = site.record, [before]
    for read in reads:
        plant = entered(plant, truth[read])
        stages.append(open_verdicts(plant))
    after_all = stages[-1]
    settled_from = next(at for at in range(len(stages)) if all(one <= after_all for one in stages[at:]))
    plant, taken = site.record, list[Read]()
    while readings := proposed(plant).readings:
        read = asked(walking(readings))
        assert read not in taken, "the same is asked twice"
        taken.append(read)
        plant = entered(plant, truth[read])
    after_list = open_verdicts(plant)
    return Walk(site, before, after_all, after_list, len(taken), settled_from, len(reads))


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Ten sites a test: what takes long ends with the limit of one test."""
    if "first_site" in metafunc.fixturenames:
        metafunc.parametrize("first_site", range(0, SITES if metafunc.config.getoption("--long") else 10, 10))


def test_what_the_list_asks_for_settles_all_that_readings_settle(first_site: int) -> None:
    """The true readings of half-unknown sites, entered in the order of the walk, with the list asked for
    again after each."""
    total: Counter[str] = Counter()
    for seed in range(first_site, first_site + 10):
        done = walk(half_unknown(seed))
        assert done.after_list <= done.after_all, f"site {seed}"
        total += counts_of(done)
    assert total["open"] > 5
    assert total["left"] < total["open"]
    assert total["list"] < total["plain"] < total["all"]


def test_the_list_has_nothing_that_is_not_needed() -> None:
    """Each reading settles something, or may; one voltage of a run scales all of its lengths. On the last two
    sites, what was chosen first is not needed any more when the list is whole."""
    asked_for = 0
    for seed in (*range(10), 62, 75):
        readings = proposed(half_unknown(seed).record).readings
        assert [one for one in readings if not one.settles and not one.may_settle] == [], f"site {seed}"
        voltages = [one.run_id for one in readings if one.kind is ReadingKind.END_VOLTAGE]
        assert len(set(voltages)) == len(voltages), f"site {seed}"
        asked_for += len(readings)
    assert asked_for > 20


def counts_of(done: Walk) -> Counter[str]:
    return Counter(
        open=len(done.before),
        left=len(done.after_list),
        left_by_all=len(done.after_all),
        list=done.by_list,
        plain=done.by_plain_order,
        all=done.in_all,
    )


def test_a_copy_has_the_figures_of_its_group() -> None:
    for seed in range(20):
        plant = half_unknown(seed).record
        groups = np.unique(plant.runs.group)
        members = p.Members.of_groups(plant, groups, np.full(len(groups), STEP))
        one = evaluate(plant, members, RULES)
        none = plant.readings
        twice = np.concatenate([groups, groups])
        both = evaluate(copies(plant, twice, none, none.run_index), members_of_copies(twice, STEP), RULES)
        for first in (0, len(groups)):
            of = (both.member >= first) & (both.member < first + len(groups))
            for name in ("rule", "subject_kind", "subject_id", "verdict", "detail"):
                assert (getattr(both, name)[of] == getattr(one, name)).all(), name
            for name in ("low", "likely", "high", "limit"):
                assert getattr(both, name)[of] == pytest.approx(getattr(one, name), rel=1e-9, nan_ok=True)


def hall(*, signal: int = p.Signal.SPEECH, rated_a: float = 1.5) -> ToyPlant:
    """A supply, of 1.5 A judged at 1.2 A (loading fraction 0.8: common practice, no source). Run 0: ten wall
    speakers, measured at 80 mA. Run 1: ten ceiling speakers of which nothing is recorded."""
    toy = ToyPlant()
    known = toy.model(speech_current_a=0.08, full_output_current_a=0.08)
    cable = toy.cable()
    toy.add("zones", zone_id=1, signal=signal)
    supply = toy.add("supplies", rated_current_a=rated_a)
    of_both = {"supply_index": supply, "fuse_fitted": 0}
    for basis in (MEASURED, int(Basis.UNKNOWN)):
        run = toy.run(**of_both)
        toy.chain(
            run,
            10,
            model_index=known,
            cable_index=cable,
            dc_pairs=3,
            length_m=1.0,
            length_basis=MEASURED,
            current_basis=basis,
        )
    return toy


def test_the_reading_that_settles_a_supply_is_that_of_the_unknown_run() -> None:
    """0.76, 0.80, 0.84 A and ten unknown ceiling speakers of 15, 25, 50 mA: up to 0.84 + 0.50 = 1.34 A of
    1.2 A. Read at 0.25 A, give or take 10 % of speech, it is at most 0.84 + 0.275 = 1.115 A."""
    plant = hall().build()
    supply = ("supply_current", (SubjectKind.SUPPLY, FIRST_ID))
    assert open_verdicts(plant) == {supply}
    found = proposed(plant)
    (one,) = found.readings
    assert asked(one) == (ReadingKind.RUN_CURRENT, State.PAGING, 1, -1)
    assert (one.low, one.likely, one.high) == pytest.approx((0.15, 0.25, 0.50))
    assert (one.settles, one.may_settle) == ((supply,), ())
    assert asked(found.best[supply]) == asked(one)
    row = replace(rows_of(plant, [asked(one)]), value=np.array([0.25]))
    plant = entered(plant, row)
    assert open_verdicts(plant) == set()
    assert proposed(plant) == Proposed((), {})


def test_in_a_zone_of_tones_it_is_read_at_a_steady_tone() -> None:
    """At full output unknown ceiling speakers draw twice what they draw at speech: 0.30, 0.50, 1.00 A. With
    0.84 A that is up to 1.84 A of 1.6 A; read at 0.50 A, give or take 5 %, at most 1.365 A."""
    (one,) = proposed(hall(signal=p.Signal.TONES, rated_a=2.0).build()).readings
    assert asked(one) == (ReadingKind.RUN_CURRENT, State.TONE, 1, -1)
    assert (one.low, one.likely, one.high) == pytest.approx((0.30, 0.50, 1.00))


def test_what_was_read_is_asked_for_again_once_its_run_was_changed() -> None:
    """Read at 0.30 A, ± 10 %: at most 0.84 + 0.33 = 1.17 A of 1.2 A. Another ceiling speaker of 15, 25 or
    50 mA makes it 1.22 A. Read again, at 0.325 A, it is at most 0.84 + 0.3575 = 1.1975 A."""
    toy = hall()
    toy.add("readings", run_index=1, value=0.30, step=2)
    assert proposed(toy.build()).readings == ()
    toy.add(
        "points",
        run_index=1,
        parent_index=19,
        step=3,
        model_index=0,
        cable_index=0,
        length_m=1.0,
        length_basis=MEASURED,
        current_basis=int(Basis.UNKNOWN),
        dc_pairs=3,
    )
    plant = toy.build()
    supply = ("supply_current", (SubjectKind.SUPPLY, FIRST_ID))
    assert open_verdicts(plant) == {supply}
    (one,) = proposed(plant).readings
    assert asked(one) == (ReadingKind.RUN_CURRENT, State.PAGING, 1, -1)
    assert one.likely == pytest.approx(0.325)
    assert one.settles == (supply,)


def test_one_strong_reading_is_asked_for_and_not_two_weak_ones_that_do_the_same() -> None:
    """Ceiling speakers of which nothing is recorded, 25 mA, up to 50 mA: 7, 8, 12 and 8 on four runs, so up
    to 1.75 A of 1.5 A. Read at 25 mA a speaker, give or take 10 % of speech, a run of 12 is
    12 · (50 − 27.5) = 0.27 A less, which settles it. Those of 7 and 8 are 0.1575 A and 0.18 A less: neither
    settles it, and both together do."""
    toy = ToyPlant()
    model, cable = toy.model(), toy.cable()
    toy.add("zones", zone_id=1, signal=p.Signal.SPEECH)
    supply = toy.add("supplies", rated_current_a=1.875)
    for count in (7, 8, 12, 8):
        toy.chain(
            toy.run(supply_index=supply, fuse_fitted=0),
            count,
            model_index=model,
            cable_index=cable,
            dc_pairs=3,
            length_m=1.0,
            length_basis=MEASURED,
            current_basis=int(Basis.UNKNOWN),
        )
    plant = toy.build()
    assert open_verdicts(plant) == {("supply_current", (SubjectKind.SUPPLY, FIRST_ID))}
    (one,) = proposed(plant).readings
    assert asked(one) == (ReadingKind.RUN_CURRENT, State.PAGING, 2, -1)


def two_branches() -> p.Plant:
    """Two speakers of 20 W and 4.6 W, exactly, behind 4 Ω and 5 Ω of guessed length, × 0.7 to 1.5; the supply
    holds 24 V. At the end of R a speaker of P has V with V · (24 − V) = P · R.

    | lengths | far | near | together |
    |---|---|---|---|
    | × 1 | 20 · 4 = 80: 20 V, 1 A | 23 · 1 = 23: 23 V, 0.2 A | 1.2 A |
    | × 1.5 | 120: 12 + √24 = 16.9 V, 1.1835 A | 34.5: 22.46 V, 0.2048 A | 1.388 A |

    So with 19 V at least and 0.8 · 1.51 = 1.208 A at most both are open."""
    toy = ToyPlant(factors=Factors(current_marked_low=1.0, current_marked_high=1.0))
    toy.add("zones", zone_id=1, signal=p.Signal.TONES)
    run = toy.run(supply_index=toy.add("supplies", rated_current_a=1.51), fuse_fitted=0)
    for ohm, watts in ((4.0, 20.0), (5.0, 4.6)):
        toy.add(
            "points",
            run_index=run,
            model_index=toy.model(
                **dict.fromkeys(("idle_current_a", "full_output_current_a"), NAN),
                idle_power_w=0.5,
                full_output_power_w=watts,
                minimum_voltage_v=19.0,
            ),
            cable_index=toy.cable(conductor_rating_a=3.0),
            length_m=ohm / LOOP_OHM_PER_M,
            length_basis=int(Basis.GUESSED),
        )
    return toy.build()


def test_of_the_voltages_of_a_run_one_is_asked_for_though_another_might_settle_more() -> None:
    """Far, 20 V ± 1 % tells the lengths to 0.2 V of a drop of 4 V, 5 %: at × 1.05 the far speaker has
    12 + √(144 − 84) = 19.75 V, and both draw 20 / 19.75 + 4.6 / 22.95 = 1.2133 A, so the supply stays open.
    Where the lengths are × 0.7 it reads 12 + √88 = 21.38 V ± 0.2138 V of 2.619 V, 8.2 %, and they draw
    1.144 A at most. Near, 23 V ± 1 % is 0.23 V of a drop of 1 V, 23 %; at × 0.7 23.31 V ± 33.7 %, 1.184 A at
    most. So that reading might settle the supply too. But it is the newest that counts, and at × 1.23 the far
    speaker has 12 + √(144 − 98.4) = 18.75 V of 19 V: what the far reading settled would be open again."""
    plant = two_branches()
    voltage = ("run_voltage", (SubjectKind.RUN, FIRST_ID))
    supply = ("supply_current", (SubjectKind.SUPPLY, FIRST_ID))
    assert open_verdicts(plant) == {voltage, supply}
    (one,) = proposed(plant).readings
    far, near = ((ReadingKind.END_VOLTAGE, State.TONE, 0, point) for point in (0, 1))
    assert asked(one) == far
    assert (one.low, one.likely, one.high) == pytest.approx((12 + 88**0.5, 20.0, 12 + 24**0.5))
    assert (one.settles, one.may_settle) == ((voltage,), (supply,))
    first, second = (
        replace(rows_of(plant, [read]), value=np.array([volts]), source_voltage_v=np.array([24.0]))
        for read, volts in ((far, 20.0), (near, 23.0))
    )
    assert open_verdicts(entered(plant, first)) == {supply}
    assert open_verdicts(entered(entered(plant, first), second)) == {voltage, supply}


def test_where_nothing_is_open_nothing_is_asked_for() -> None:
    toy = ToyPlant()
    run = toy.run(supply_index=toy.add("supplies"))
    toy.chain(run, 2, model_index=toy.model(), cable_index=toy.cable(), length_m=3.0, length_basis=MEASURED)
    assert proposed(toy.build()) == Proposed((), {})


def print_table() -> None:
    """The table of README.md."""
    total = sum((counts_of(walk(half_unknown(seed))) for seed in range(SITES)), Counter())
    print("| readings taken | how many | verdicts open |")
    print("|---|---|---|")
    print(f"| none | 0 | {total['open']} |")
    print(f"| those of the list | {total['list']} | {total['left']} |")
    print(
        f"| in plain order, until as much is settled as by all | {total['plain']} | {total['left_by_all']} |"
    )
    print(f"| all | {total['all']} | {total['left_by_all']} |")


if __name__ == "__main__":
    print_table()
