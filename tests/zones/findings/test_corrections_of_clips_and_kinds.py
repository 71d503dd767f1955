"""Corrections of what lies on a block, of what a run or a block is, and of the catalogue by raw SQL, named
where they made the crossing. Each number is counted or worked out in the test."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from sites.changes.services import change_accept
from sites.changes.steps import step_of
from sites.models import Block, ChangeSet, EndpointFacts
from tests.factories import change
from tests.sites.changes.rows import accepted, say, sql
from tests.zones.findings.conftest import ADDED, NOW, Quay
from tests.zones.findings.test_corrections import CORRECTION, DAY, LATER, keys, sentence
from zones.findings.catalogue_news import tell_catalogue_news
from zones.models import ClipFacts, Landing, Run, RunFacts
from zones.plant.corrections import corrections_of, undone


def land(quay: Quay, row: int, block: Block | None = None, carries: str = "spare", **owner: Any) -> None:
    side = Landing.Side.FIELD if "run" in owner else Landing.Side.EQUIPMENT
    said = {"pair": 1, "conductor": "first", "carries": carries, "side": side}
    quay.record.make(Landing, block=block or quay.record.block, row=row, **said, **owner)


def joined_rows(quay: Quay, *rows: int) -> ChangeSet:
    """Rows whose two sides are in use: DC of the supply, and of the run."""
    with quay.record.change(ADDED, job_reference="LS-2500") as work:
        for row in rows:
            land(quay, row, carries="dc_positive", supply=quay.supply)
            land(quay, row, carries="dc_positive", run=quay.run)
    return work


def set_clip(quay: Quay, day: dt.date, row: int, *, is_in: bool) -> ChangeSet:
    with quay.record.change(day, job_reference="LS-2600") as work:
        quay.record.make(ClipFacts, block=quay.record.block, row=row, is_in=is_in)
    return work


def correct_clip(quay: Quay, day: dt.date, row: int, *, is_in: bool, held_on: dt.date) -> ChangeSet:
    asked = change(quay.record.site, reason="looked at", happened_on=day, kind=CORRECTION, actor="Ida Lark")
    body = {"op": "clip.correct", "block_id": quay.record.block.pk, "row": row, "is_in": is_in}
    return change_accept(asked, [body | {"held_on": str(held_on)}]).change_set


def named(quay: Quay, code: str) -> tuple[int, int | None]:
    said = quay.finding(code).attribution["change"]
    return said["change_set"], said["correction"]


def test_a_correction_of_a_clip_is_named_beside_the_change_that_it_rewrote(quay: Quay) -> None:
    joined_rows(quay, 3)
    work = set_clip(quay, LATER, 3, is_in=True)  # 0 rows silent, as recorded
    correction = correct_clip(quay, LATER + DAY, 3, is_in=False, held_on=LATER)  # 1 row
    quay.check()
    assert quay.finding("clip_out").likely == 1
    assert named(quay, "clip_out") == (work.pk, correction.pk)
    assert keys(quay) == [f"change-set-{correction.pk}"]


def test_a_corrected_clip_that_left_another_out_crossed_nothing(quay: Quay) -> None:
    joined_rows(quay, 3, 4)
    pulled = set_clip(quay, LATER, 3, is_in=False)  # 1 row silent
    set_clip(quay, LATER + DAY, 4, is_in=True)
    correct_clip(quay, LATER + 2 * DAY, 4, is_in=False, held_on=LATER + DAY)  # 2 rows: past as before
    quay.check()
    assert quay.finding("clip_out").likely == 2
    assert named(quay, "clip_out") == (pulled.pk, None)


def test_a_clip_of_one_row_is_not_one_of_another(quay: Quay) -> None:
    """Undoing the correction of row 3 leaves row 4 as it is recorded, though both began on one step."""
    joined_rows(quay, 3, 4)
    with quay.record.change(LATER) as work:
        for row in (3, 4):
            quay.record.make(ClipFacts, block=quay.record.block, row=row, is_in=row == 3)
    correct_clip(quay, LATER + DAY, 3, is_in=False, held_on=LATER)
    quay.check()
    assert named(quay, "clip_out") == (work.pk, None), "row 4 was out anyway"
    (version,) = undone(corrections_of([quay.site_id])[quay.site_id])
    found = {key[1]: row["is_in"] for key, row in version.rows["clip_facts"].items() if row is not None}
    assert found == {3: True, 4: False}


def test_a_corrected_kind_of_block_is_named(quay: Quay) -> None:
    """Two conductors on one side of a row: an unsplit 66-type takes two, a 110-type one."""
    with quay.record.change(ADDED) as work:
        block = quay.record.make(Block, closet=quay.record.closet, name="B2", kind=Block.Kind.UNSPLIT_66)
        other = quay.record.run("R2", zone=quay.zone)
        land(quay, 1, block, run=quay.run)
        land(quay, 1, block, run=other)
    quay.check()
    assert not quay.findings("row_used_twice")
    with quay.record.change(LATER, kind=CORRECTION, reason="looked at") as correction:
        Block.objects.filter(pk=block.pk).update(kind=Block.Kind.TYPE_110, change_set_id=correction.pk)
    quay.check()
    assert quay.finding("row_used_twice").likely == 2
    assert named(quay, "row_used_twice") == (work.pk, correction.pk)


def test_a_corrected_kind_of_run_is_named(quay: Quay) -> None:
    """A run of six speakers of 0.05 A that was taken for a low-impedance one: 27 + 6 of them draw 1.65 A."""
    with quay.record.change(ADDED) as work:
        run = quay.record.run("R2", kind=Run.Kind.LOW_IMPEDANCE, zone=quay.zone)
        quay.record.chain(run, 6, **quay.facts)
    with quay.record.change(LATER, kind=CORRECTION, reason="looked at") as correction:
        Run.objects.filter(pk=run.pk).update(kind=Run.Kind.SELF_AMPLIFIED, change_set_id=correction.pk)
        RunFacts.objects.filter(run=run).update(supply=quay.supply, change_set_id=correction.pk)
    quay.check()
    assert quay.finding().likely == pytest.approx(33 * 0.05)
    assert named(quay, "supply_current") == (work.pk, correction.pk)


def test_an_edit_of_the_catalogue_by_raw_sql_is_named_by_what_it_was(quay: Quay) -> None:
    work, _ = quay.add(3)  # 1.35 + 3 × 0.04 = 1.47 A
    edit = accepted(None)
    say(edit)
    sql("UPDATE device_model SET note = 'label read' WHERE id = %s", quay.speaker.pk)
    sql("UPDATE device_model SET speech_current_a = 0.055 WHERE id = %s", quay.speaker.pk)
    quay.check()
    follows = ChangeSet.objects.get(site_id=quay.site_id, kind=ChangeSet.Kind.CATALOGUE)
    assert quay.finding().likely == pytest.approx(27 * 0.055 + 3 * 0.04)  # 1.605 A
    assert named(quay, "supply_current") == (work.pk, follows.pk)
    said = f"known since the speech current of {quay.speaker.name} was corrected from 50 to 55 mA"
    assert f"{said} on {follows.happened_on} by R. Vale" in sentence(quay)
    tell_catalogue_news(NOW)
    (event,) = quay.events()
    assert (event.kind, event.body["change_set"]["id"]) == ("catalogue.corrected", edit)


def test_of_two_endpoints_that_one_port_would_have_had_the_worst_counts(quay: Quay) -> None:
    """One of class 3 (15.4 W) was recorded on port 1, of type 1 (15.4 W), and another of class 4 (30 W) has
    been there since the first turned out to be on port 2. Without that correction both would be on port 1,
    past by the second anyway: the correction crossed nothing."""
    record, from_port = quay.record, EndpointFacts.PowerSource.PORT
    with record.change(ADDED):
        switch = record.switch()
        first, second = record.port(switch, 1, port_type=1), record.port(switch, 2, port_type=1)
        worse = record.endpoint(name="NS 1")
        other = record.endpoint(name="NS 2", port=first, power_source=from_port, negotiated_class=3)
    with record.change(LATER, kind=CORRECTION, reason="looked at") as seen:
        EndpointFacts.objects.filter(endpoint=other).update(port=second, change_set_id=seen.pk)
    with record.change(LATER + DAY) as work:
        record.make(EndpointFacts, endpoint=worse, port=first, power_source=from_port, negotiated_class=4)
    quay.check()
    assert quay.finding("port_type").likely == pytest.approx(30.0)
    assert named(quay, "port_type") == (work.pk, None)


def test_a_row_that_a_later_correction_added_carries_nothing_on(quay: Quay) -> None:
    """The clip of row 3 was not in on the first day, by one correction, and in again since the next week, by
    another: without both it was in on the first day, and nothing is recorded of it since."""
    set_clip(quay, ADDED, 3, is_in=True)
    correct_clip(quay, LATER, 3, is_in=False, held_on=ADDED)
    with quay.record.change(ADDED + 7 * DAY, kind=CORRECTION, reason="looked at"):
        quay.record.make(ClipFacts, block=quay.record.block, row=3, is_in=True)
    without_both, without_second = undone(corrections_of([quay.site_id])[quay.site_id])
    found = [
        [row and row["is_in"] for _, row in sorted(version.rows["clip_facts"].items())]
        for version in (without_both, without_second)
    ]
    assert found == [[True, None], [False, None]]


def test_a_row_on_the_step_of_no_change_set_carries_nothing_on(quay: Quay) -> None:
    """A correction says that the clip of row 3 was out a week after it was inserted, on a step of its own;
    another one, that it was out on the first day already. Without the second it was in for that week."""
    set_clip(quay, ADDED, 3, is_in=True)
    with quay.record.change(LATER, kind=CORRECTION, reason="looked at"):
        step = step_of(ADDED + 7 * DAY, 5)
        quay.record.make(ClipFacts, block=quay.record.block, row=3, is_in=False, step=step)
    correct_clip(quay, LATER, 3, is_in=False, held_on=ADDED)
    _, without_second = undone(corrections_of([quay.site_id])[quay.site_id])
    found = sorted(without_second.rows["clip_facts"].items())
    assert [row and row["is_in"] for _, row in found] == [True, False]
