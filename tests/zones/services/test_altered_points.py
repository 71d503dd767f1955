"""Points altered and taken off from a day on, in the order of their days."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.steps import first_step_after
from sites.models import Basis, DeviceModel
from tests.factories import BUILT_ON
from tests.zones.services.point_histories import AFTER_THAT, LATER, facts_of, on, parents
from zones.models import Point, PointFacts, Run
from zones.selectors import points_before
from zones.services.points import (
    point_alter,
    point_append,
    point_insert,
    point_remove,
)

pytestmark = pytest.mark.django_db
Kind = PointFacts.Kind


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
    rows = {
        day: points_before(first_step_after(day), site_id=run.site_id, run_ids=[run.pk])[0]
        for day in (BUILT_ON, LATER)
    }
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


def test_a_device_is_connected_at_a_splice_again(run: Run, chain: list[Point], horn: DeviceModel) -> None:
    point_remove(on(run), point=chain[1])
    point_alter(on(run, AFTER_THAT), point=chain[1], kind=Kind.DEVICE, model=horn)
    assert facts_of(chain[1]).model == horn


def test_a_branch_is_moved_behind_a_point_that_comes_later(run: Run, chain: list[Point]) -> None:
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
    for write in back_dated:
        with pytest.raises(ChangeRefused) as caught:
            write()
        (problem,) = caught.value.problems
        assert problem.code == "contradicts_later"
        assert f"change set {later.pk} of 2025-10-01, job J-31: “gale damage”" in problem.detail


def test_what_contradicts_nothing_may_be_back_dated(run: Run, chain: list[Point], horn: DeviceModel) -> None:
    point_alter(on(run, AFTER_THAT), point=chain[1], model=horn)
    point_alter(on(run, LATER), point=chain[2], dc_pairs=2)
    assert [
        row.dc_pairs for row in points_before(first_step_after(LATER), site_id=run.site_id, run_ids=[run.pk])
    ] == [1, 1, 2]


def test_nothing_is_connected_to_a_run_before_it_was_pulled(run: Run) -> None:
    with pytest.raises(ChangeRefused, match="stands only since change set"):
        point_append(on(run, dt.date(2019, 1, 1)), run=run)
