"""What is hung on a run, cut into it, altered, taken off, corrected: geometry and history."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.services import change_accept
from sites.changes.steps import day_of, first_step_after
from sites.models import Basis, DeviceModel
from sites.models.changes import ChangeSet
from tests import factories
from tests.factories import BUILT_ON, change
from zones.models import Point, PointFacts, Run
from zones.selectors import points_before
from zones.services.points import (
    point_alter,
    point_append,
    point_correct,
    point_found,
    point_insert,
    point_remove,
)
from zones.services.runs import run_end

pytestmark = pytest.mark.django_db
Kind = PointFacts.Kind
LATER = dt.date(2025, 9, 1)
AFTER_THAT = dt.date(2025, 10, 1)


@pytest.fixture
def speaker() -> DeviceModel:
    return factories.make_model(DeviceModel.Kind.CEILING_SPEAKER)


@pytest.fixture
def horn() -> DeviceModel:
    return factories.make_model(DeviceModel.Kind.HORN)


@pytest.fixture
def chain(run: Run, speaker: DeviceModel) -> list[Point]:
    """Three speakers, 6 m apart, on measured lengths."""
    return factories.make_points(run, 3, speaker, dc_pairs=1)


def on(run: Run, day: dt.date = LATER, **fields: Any) -> Any:
    return change(run.site, happened_on=day, **fields)


def facts_of(point: Point) -> PointFacts:
    return point.facts.latest("step")


def parents(run: Run, day: dt.date) -> list[tuple[str, str | None, float | None]]:
    """(name, parent's name, length) of each point as of a day, in the run's order."""
    rows = points_before(first_step_after(day), run_ids=[run.pk])
    return [(row.point.name, row.parent.name if row.parent else None, row.length_m) for row in rows]


# --- hanging -------------------------------------------------------------------------------------------


def test_points_are_hung_in_order_and_named_by_number(run: Run, chain: list[Point]) -> None:
    assert parents(run, BUILT_ON) == [("1", None, 6.0), ("2", "1", 6.0), ("3", "2", 6.0)]


def test_a_point_hung_behind_an_earlier_one_is_a_branch(run: Run, chain: list[Point]) -> None:
    branch = point_append(on(run), run=run, after=chain[0], name="branch").result
    assert facts_of(branch).parent == chain[0]
    assert branch.rank > chain[2].rank


def test_the_kind_of_device_follows_from_its_model(run: Run, horn: DeviceModel) -> None:
    point = point_append(on(run), run=run, model=horn).result
    assert facts_of(point).device_kind == PointFacts.DeviceKind.HORN


def test_a_uncounted_group_stands_for_devices_nobody_has_counted(run: Run) -> None:
    uncounted_group = point_append(
        on(run), run=run, kind=Kind.UNCOUNTED_GROUP, count_low=4, count_likely=6, count_high=9
    ).result
    facts = facts_of(uncounted_group)
    assert (facts.kind, facts.count_low, facts.count_likely, facts.count_high) == (
        Kind.UNCOUNTED_GROUP,
        4,
        6,
        9,
    )


@pytest.mark.parametrize(
    ("fields", "pointer", "code"),
    [
        ({"length_m": 5.0}, "/length_basis", "required"),
        ({"length_basis": Basis.DRAWING}, "/length_m", "required"),
        ({"length_m": -1.0, "length_basis": Basis.DRAWING}, "/length_m", "invalid"),
        ({"tap_power_w": 5.0}, "/tap_basis", "required"),
        ({"tap_power_w": 0.0, "tap_basis": Basis.MARKED}, "/tap_power_w", "invalid"),
        ({"kind": Kind.UNCOUNTED_GROUP}, "/count_likely", "required"),
        (
            {"kind": Kind.UNCOUNTED_GROUP, "count_low": 5, "count_likely": 4, "count_high": 9},
            "/count_likely",
            "required",
        ),
        ({"count_low": 5, "count_likely": 6, "count_high": 9}, "/count_likely", "invalid"),
        ({"kind": Kind.SPLICE, "speech_current_a": 0.1}, "/speech_current_a", "invalid"),
        ({"dc_pairs": 26}, "/dc_pairs", "invalid"),
        ({"dc_pairs": -1}, "/dc_pairs", "invalid"),
        ({"place": "x" * 201}, "/place", "invalid"),
    ],
)
def test_values_that_do_not_fit_are_named(run: Run, fields: dict[str, Any], pointer: str, code: str) -> None:
    with pytest.raises(ChangeRefused) as caught:
        point_append(on(run), run=run, **fields)
    (problem,) = caught.value.problems
    assert (problem.pointer, problem.code) == (pointer, code)
    assert not Point.objects.exists()


def test_only_a_speaker_hangs_on_a_run(run: Run) -> None:
    switch = factories.make_model(DeviceModel.Kind.SWITCH)
    with pytest.raises(ChangeRefused, match="expected a ceiling speaker or wall speaker or horn") as caught:
        point_append(on(run), run=run, model=switch)
    assert caught.value.problems[0].pointer == "/model_id"


def test_a_model_says_what_kind_of_device_it_is(run: Run, horn: DeviceModel) -> None:
    with pytest.raises(ChangeRefused) as caught:
        point_append(on(run), run=run, model=horn, device_kind=PointFacts.DeviceKind.WALL_SPEAKER)
    assert caught.value.problems[0].pointer == "/device_kind"


def test_a_point_is_hung_behind_one_of_its_own_run(run: Run, chain: list[Point]) -> None:
    other = factories.make_run(run.block)
    with pytest.raises(ChangeRefused, match="is of another run") as caught:
        point_append(on(run), run=other, after=chain[0])
    assert caught.value.problems[0].pointer == "/after_id"


# --- cutting into a run --------------------------------------------------------------------------------


def test_mid_run_at_an_unknown_distance_splits_the_segment_in_halves(run: Run, chain: list[Point]) -> None:
    new = point_insert(on(run), before=chain[1], name="new").result
    assert parents(run, LATER) == [("1", None, 6.0), ("new", "1", 3.0), ("2", "new", 3.0), ("3", "2", 6.0)]
    near, far = facts_of(new), facts_of(chain[1])
    assert near.length_basis == far.length_basis == Basis.MEASURED
    assert (near.cable_type, near.dc_pairs) == (far.cable_type, far.dc_pairs)
    assert chain[0].rank < new.rank < chain[1].rank


def test_mid_run_at_a_known_distance_the_rest_stays(run: Run, chain: list[Point]) -> None:
    new = point_insert(
        on(run), before=chain[1], distance_from_parent_m=2.5, distance_basis=Basis.DRAWING
    ).result
    near, far = facts_of(new), facts_of(chain[1])
    assert (near.length_m, near.length_basis) == (2.5, Basis.DRAWING)
    assert (far.length_m, far.length_basis) == (3.5, Basis.MEASURED)


def test_mid_run_in_a_segment_of_unknown_length_both_stay_unknown(run: Run) -> None:
    first = point_append(on(run), run=run).result
    halves = point_insert(on(run, AFTER_THAT), before=first).result
    known = point_insert(
        on(run, AFTER_THAT), before=first, distance_from_parent_m=2.0, distance_basis=Basis.GUESSED
    ).result
    assert facts_of(halves).length_m is None
    assert facts_of(halves).length_basis == Basis.UNKNOWN
    assert facts_of(known).length_m == 2.0
    assert (facts_of(first).length_m, facts_of(first).length_basis) == (None, Basis.UNKNOWN)


def test_a_distance_beyond_the_segment_is_refused(run: Run, chain: list[Point]) -> None:
    with pytest.raises(ChangeRefused, match=r"6 m long, shorter than 6\.5 m") as caught:
        point_insert(on(run), before=chain[1], distance_from_parent_m=6.5, distance_basis=Basis.MEASURED)
    assert caught.value.problems[0].pointer == "/distance_from_parent_m"


def test_a_distance_says_how_it_is_known(run: Run, chain: list[Point]) -> None:
    with pytest.raises(ChangeRefused) as caught:
        point_insert(on(run), before=chain[1], distance_from_parent_m=2.0)
    assert caught.value.problems[0].pointer == "/distance_basis"


def test_the_past_stays_as_it_was(run: Run, chain: list[Point]) -> None:
    point_insert(on(run), before=chain[1], name="new")
    assert parents(run, BUILT_ON) == [("1", None, 6.0), ("2", "1", 6.0), ("3", "2", 6.0)]
    assert parents(run, LATER - dt.timedelta(days=1)) == parents(run, BUILT_ON)


def test_before_the_first_point_is_mid_run_too(run: Run, chain: list[Point]) -> None:
    point_insert(on(run), before=chain[0], name="new")
    assert parents(run, LATER)[:2] == [("new", None, 3.0), ("1", "new", 3.0)]


def test_a_cut_negative_stays_with_the_section_it_begins(run: Run, chain: list[Point]) -> None:
    point_alter(on(run), point=chain[1], negative_cut=True)
    new = point_insert(on(run, AFTER_THAT), before=chain[1]).result
    assert (facts_of(new).negative_cut, facts_of(chain[1]).negative_cut) == (False, True)


def test_cutting_into_the_same_place_again_and_again_puts_the_run_in_order_anew(
    run: Run, chain: list[Point]
) -> None:
    """A float has 52 bits between two ranks: after as many halvings the run gets new ranks."""
    before = chain[1]
    for number in range(60):
        done = change_accept(
            on(run), [{"op": "point.insert", "before_id": before.pk, "name": f"cut {number}"}]
        )
    names = [name for name, _, _ in parents(run, LATER)]
    assert names == ["1", *(f"cut {number}" for number in range(60)), "2", "3"]
    assert parents(run, BUILT_ON) == [("1", None, 6.0), ("2", "1", 6.0), ("3", "2", 6.0)]
    # The points moved in the order, and nothing of what was recorded of them
    assert PointFacts.objects.filter(change_set=done.change_set).count() == 2
    assert chain[2].facts.get().change_set_id == chain[2].change_set_id


# --- altering and taking off ---------------------------------------------------------------------------


def test_an_altered_point_keeps_what_is_not_said(run: Run, chain: list[Point], horn: DeviceModel) -> None:
    point_alter(on(run), point=chain[2], model=horn, place="over the gangway")
    facts = facts_of(chain[2])
    assert (facts.model, facts.place, facts.length_m, facts.parent) == (
        horn,
        "over the gangway",
        6.0,
        chain[1],
    )
    assert facts.device_kind == PointFacts.DeviceKind.HORN
    assert chain[2].facts.count() == 2


def test_a_tap_is_raised_from_a_day_on(run: Run, chain: list[Point]) -> None:
    point_alter(on(run, reason="too quiet"), point=chain[0], tap_power_w=5.0, tap_basis=Basis.MARKED)
    rows = {day: points_before(first_step_after(day), run_ids=[run.pk])[0] for day in (BUILT_ON, LATER)}
    assert rows[BUILT_ON].tap_power_w is None
    assert rows[LATER].tap_power_w == 5.0


def test_saying_what_is_so_already_writes_nothing(run: Run, chain: list[Point], speaker: DeviceModel) -> None:
    done = point_alter(on(run), point=chain[0], model=speaker, length_m=6.0, length_basis=Basis.MEASURED)
    assert chain[0].facts.count() == 1
    assert done.change_set.changes.count() == 0


def test_only_a_renamed_point_has_no_new_facts(run: Run, chain: list[Point]) -> None:
    point_alter(on(run), point=chain[0], name="S1")
    chain[0].refresh_from_db()
    assert (chain[0].name, chain[0].facts.count()) == ("S1", 1)


def test_a_removed_speaker_leaves_a_splice_and_its_children(run: Run, chain: list[Point]) -> None:
    point_remove(on(run), point=chain[1])
    assert parents(run, LATER) == parents(run, BUILT_ON)
    facts = facts_of(chain[1])
    assert facts.kind == Kind.SPLICE
    assert (facts.model, facts.tap_power_w, facts.speech_current_a) == (None, None, None)
    assert (facts.length_m, facts.length_basis, facts.dc_pairs) == (6.0, Basis.MEASURED, 1)


def test_a_splice_is_not_removed_again(run: Run, chain: list[Point]) -> None:
    point_remove(on(run), point=chain[1])
    with pytest.raises(ChangeRefused, match="a bare splice already"):
        point_remove(on(run, AFTER_THAT), point=chain[1])


def test_a_device_is_hung_at_a_splice_again(run: Run, chain: list[Point], horn: DeviceModel) -> None:
    point_remove(on(run), point=chain[1])
    point_alter(on(run, AFTER_THAT), point=chain[1], kind=Kind.DEVICE, model=horn)
    assert facts_of(chain[1]).model == horn


def test_a_branch_is_hung_behind_a_point_that_comes_later(run: Run, chain: list[Point]) -> None:
    side = point_append(on(run), run=run, after=chain[0], name="side").result
    beyond = point_append(on(run), run=run, after=side, name="beyond").result
    end = point_append(on(run), run=run, after=chain[2], name="end").result
    side.refresh_from_db()
    assert side.rank < end.rank
    point_alter(on(run, AFTER_THAT), point=side, after=end)
    assert {name: parent for name, parent, _ in parents(run, AFTER_THAT)} == {
        "1": None,
        "2": "1",
        "3": "2",
        "end": "3",
        "side": "end",
        "beyond": "side",
    }
    assert {name: parent for name, parent, _ in parents(run, LATER)}["side"] == "1"
    for point in (side, end, beyond):
        point.refresh_from_db()
    assert end.rank < side.rank < beyond.rank


def test_points_are_never_parents_of_each_other(run: Run, chain: list[Point]) -> None:
    with pytest.raises(ChangeRefused, match="parents of each other") as caught:
        point_alter(on(run), point=chain[0], after=chain[2])
    assert caught.value.problems[0].pointer == "/after_id"


def test_several_changes_of_a_day_are_in_order(run: Run, chain: list[Point], horn: DeviceModel) -> None:
    point_alter(on(run), point=chain[0], model=horn)
    point_remove(on(run), point=chain[0])
    point_alter(on(run), point=chain[0], kind=Kind.DEVICE, model=horn, place="moved up")
    steps = list(chain[0].facts.order_by("step").values_list("step", "kind"))
    assert [kind for _, kind in steps] == [Kind.DEVICE, Kind.DEVICE, Kind.SPLICE, Kind.DEVICE]
    assert [step - steps[1][0] for step, _ in steps[1:]] == [0, 1, 2]
    assert facts_of(chain[0]).place == "moved up"


# --- back-dated ----------------------------------------------------------------------------------------


def test_what_contradicts_a_later_row_is_refused_naming_it(
    run: Run, chain: list[Point], horn: DeviceModel
) -> None:
    later = point_alter(
        on(run, AFTER_THAT, reason="gale damage", job_reference="J-31"), point=chain[1], model=horn
    ).change_set
    back_dated: list[Callable[[], object]] = [
        lambda: point_alter(on(run), point=chain[1], dc_pairs=2),
        lambda: point_remove(on(run), point=chain[1]),
        lambda: point_insert(on(run), before=chain[1]),
        lambda: point_append(on(run), run=run, after=chain[1]),
    ]
    for tell in back_dated:
        with pytest.raises(ChangeRefused) as caught:
            tell()
        (problem,) = caught.value.problems
        assert problem.code == "contradicts_later"
        assert f"change set {later.pk} of 2025-10-01, job J-31: “gale damage”" in problem.detail


def test_what_contradicts_nothing_may_be_back_dated(run: Run, chain: list[Point], horn: DeviceModel) -> None:
    point_alter(on(run, AFTER_THAT), point=chain[1], model=horn)
    point_alter(on(run, LATER), point=chain[2], dc_pairs=2)
    assert [row.dc_pairs for row in points_before(first_step_after(LATER), run_ids=[run.pk])] == [1, 1, 2]


def test_nothing_hangs_on_a_run_before_it_was_pulled(run: Run) -> None:
    with pytest.raises(ChangeRefused, match="stands only since change set"):
        point_append(on(run, dt.date(2019, 1, 1)), run=run)


# --- correcting ----------------------------------------------------------------------------------------


@pytest.fixture
def story(run: Run, chain: list[Point], horn: DeviceModel) -> Point:
    """The second point: a speaker, cut away from its parent, then raised; always of one model."""
    point_insert(on(run), before=chain[1])
    point_alter(on(run, AFTER_THAT), point=chain[1], place="raised")
    assert chain[1].facts.count() == 3
    return chain[1]


def test_better_knowledge_rewrites_the_row_where_it_begins_and_those_that_carried_it(
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


def test_a_device_that_hung_there_all_along_is_found_not_added(
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


def test_what_it_hung_on_was_recorded_wrongly(run: Run, chain: list[Point]) -> None:
    point_correct(on(run, AFTER_THAT), point=chain[2], after=chain[0])
    assert parents(run, BUILT_ON)[2] == ("3", "1", 6.0)


def test_a_correction_may_be_of_a_run_that_is_gone(run: Run, chain: list[Point], horn: DeviceModel) -> None:
    run_end(on(run), run=run)
    point_correct(on(run, AFTER_THAT), point=chain[0], model=horn)
    assert chain[0].facts.get().model == horn
    with pytest.raises(ChangeRefused, match="was ended by change set"):
        point_append(on(run, AFTER_THAT), run=run)
