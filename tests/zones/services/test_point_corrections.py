"""Points corrected, and devices found that were there all along."""

from __future__ import annotations

import datetime as dt

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.steps import day_of, first_step_after
from sites.models import Basis, DeviceModel
from sites.models.changes import ChangeSet
from tests.factories import BUILT_ON
from tests.zones.services.point_histories import AFTER_THAT, LATER, on, parents
from zones.models import Point, PointFacts, Run
from zones.services.points import (
    point_alter,
    point_append,
    point_correct,
    point_found,
    point_insert,
)
from zones.services.runs import run_end

pytestmark = pytest.mark.django_db
Kind = PointFacts.Kind


@pytest.fixture
def story(run: Run, chain: list[Point], horn: DeviceModel) -> Point:
    """The second point: a speaker, cut away from its parent, then raised; always of one model."""
    point_insert(on(run), before=chain[1])
    point_alter(on(run, AFTER_THAT), point=chain[1], place="raised")
    assert chain[1].facts.count() == 3
    return chain[1]


def test_a_correction_rewrites_the_row_where_it_begins_and_those_that_carried_it(
    run: Run, story: Point, horn: DeviceModel
) -> None:
    steps = list(story.facts.order_by("step").values_list("step", flat=True))
    done = point_correct(on(run, AFTER_THAT, reason="the label says so"), point=story, model=horn)
    assert done.change_set.kind == ChangeSet.Kind.CORRECTION
    assert [row.model for row in story.facts.all()] == [horn] * 3
    assert {row.change_set_id for row in story.facts.all()} == {done.change_set.pk}
    assert list(story.facts.order_by("step").values_list("step", flat=True)) == steps


def test_the_old_values_stay_in_the_change_record(
    run: Run, story: Point, horn: DeviceModel, speaker: DeviceModel
) -> None:
    done = point_correct(on(run, AFTER_THAT), point=story, model=horn)
    changes = done.change_set.changes.filter(table_name="point_facts")
    old = [row["model_id"] for one in changes for row in one.old_rows or []]
    new = [row["model_id"] for one in changes for row in one.new_rows or []]
    assert (old, new) == ([speaker.pk] * 3, [horn.pk] * 3)


def test_a_value_that_changed_is_corrected_in_its_own_stretch(run: Run, story: Point) -> None:
    """Its segment was split by the insertion: the length measured now is that of the segment since then."""
    point_correct(on(run, AFTER_THAT), point=story, length_m=2.0, length_basis=Basis.MEASURED)
    assert [row.length_m for row in story.facts.order_by("step")] == [6.0, 2.0, 2.0]


def test_a_day_says_from_where_the_value_was_wrong(run: Run, story: Point, horn: DeviceModel) -> None:
    days = [day_of(row.step) for row in story.facts.order_by("step")]
    point_correct(on(run, AFTER_THAT), point=story, model=horn, held_on=days[1])
    models = [row.model_id for row in story.facts.order_by("step")]
    assert models[1:] == [horn.pk] * 2
    assert models[0] != horn.pk


def test_a_length_and_its_basis_are_one_value(run: Run, story: Point) -> None:
    point_correct(on(run, AFTER_THAT), point=story, length_m=None)
    assert [(row.length_m, row.length_basis) for row in story.facts.order_by("step")] == [
        (6.0, Basis.MEASURED),
        (None, Basis.UNKNOWN),
        (None, Basis.UNKNOWN),
    ]


def test_nothing_is_corrected_before_it_is_recorded(run: Run, story: Point, horn: DeviceModel) -> None:
    with pytest.raises(ChangeRefused) as caught:
        point_correct(on(run, AFTER_THAT), point=story, model=horn, held_on=dt.date(1970, 1, 2))
    assert caught.value.problems[0].pointer == "/held_on"


def test_a_count_turns_out_otherwise(run: Run) -> None:
    uncounted_group = point_append(
        on(run), run=run, kind=Kind.UNCOUNTED_GROUP, count_low=8, count_likely=10, count_high=12
    ).result
    point_correct(on(run, AFTER_THAT), point=uncounted_group, count_low=13, count_likely=13, count_high=13)
    facts = uncounted_group.facts.get()
    assert (facts.count_low, facts.count_high) == (13, 13)
    assert facts.step < first_step_after(LATER)


def test_a_device_that_was_there_all_along_is_found_not_added(
    run: Run, chain: list[Point], speaker: DeviceModel
) -> None:
    found = point_found(
        on(run, AFTER_THAT, reason="above the ceiling"), run=run, after=chain[2], model=speaker, name="found"
    ).result
    assert ("found", "3", None) in parents(run, BUILT_ON)
    facts = found.facts.get()
    assert facts.step == chain[2].facts.get().step
    assert ChangeSet.objects.get(pk=facts.change_set_id).kind == ChangeSet.Kind.CORRECTION


def test_a_device_found_mid_run_splits_the_segment_in_all_rows_that_say_so(
    run: Run, chain: list[Point], speaker: DeviceModel
) -> None:
    point_alter(on(run), point=chain[1], place="lowered")
    point_found(on(run, AFTER_THAT), run=run, before=chain[1], model=speaker, name="found")
    for day in (BUILT_ON, LATER, AFTER_THAT):
        assert parents(run, day) == [
            ("1", None, 6.0),
            ("found", "1", 3.0),
            ("2", "found", 3.0),
            ("3", "2", 6.0),
        ]


def test_a_device_that_was_never_there_becomes_a_splice(run: Run, chain: list[Point]) -> None:
    point_correct(on(run, AFTER_THAT), point=chain[1], kind=Kind.SPLICE)
    facts = chain[1].facts.get()
    assert (facts.kind, facts.model, facts.length_m) == (Kind.SPLICE, None, 6.0)


def test_what_it_was_connected_to_was_recorded_wrongly(run: Run, chain: list[Point]) -> None:
    point_correct(on(run, AFTER_THAT), point=chain[2], after=chain[0])
    assert parents(run, BUILT_ON)[2] == ("3", "1", 6.0)


def test_a_correction_may_be_of_a_run_that_is_gone(run: Run, chain: list[Point], horn: DeviceModel) -> None:
    run_end(on(run), run=run)
    point_correct(on(run, AFTER_THAT), point=chain[0], model=horn)
    assert chain[0].facts.get().model == horn
    with pytest.raises(ChangeRefused, match="was ended by change set"):
        point_append(on(run, AFTER_THAT), run=run)
