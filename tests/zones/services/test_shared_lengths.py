"""A segment that is cut at a distance not recorded is in shares; what becomes of them when one of them is
measured, rerouted or cut again. Lengths are worked by hand from the 6 m of each segment."""

from __future__ import annotations

from typing import Any

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.steps import first_step_after
from sites.models import Basis, DeviceModel
from tests.factories import BUILT_ON
from tests.zones.services.point_histories import AFTER_THAT, LATER, facts_of, on
from zones.models import Point, PointFacts, Run
from zones.selectors import points_before
from zones.services.points import point_alter, point_append, point_correct, point_found, point_insert

pytestmark = pytest.mark.django_db
FIRST, MIDDLE, LAST, ALONE = PointFacts.SharePlace
MEASURED, DRAWING, UNKNOWN = Basis.MEASURED, Basis.DRAWING, Basis.UNKNOWN


def said(point: Point) -> tuple[Any, ...]:
    """Length, basis, share of the whole, and which one."""
    row = facts_of(point)
    return row.length_m, row.length_basis, row.length_share, row.length_share_place


@pytest.fixture
def cut(run: Run, chain: list[Point]) -> Point:
    """A device cut somewhere into the 6 m from the first speaker to the second."""
    return point_insert(on(run), before=chain[1], name="cut").result


@pytest.fixture
def cut_again(run: Run, chain: list[Point], cut: Point) -> Point:
    """Another one, between the first one and the second speaker."""
    return point_insert(on(run), before=chain[1], name="cut again").result


def test_the_two_halves_are_shares_of_one_whole(chain: list[Point], cut: Point) -> None:
    assert said(cut) == (3.0, MEASURED, 0.5, FIRST)
    assert said(chain[1]) == (3.0, MEASURED, 0.5, LAST)
    assert said(chain[2]) == (6.0, MEASURED, None, None)


def test_half_of_a_half_is_a_quarter(run: Run, chain: list[Point], cut: Point, cut_again: Point) -> None:
    assert said(cut) == (3.0, MEASURED, 0.5, FIRST)
    assert said(cut_again) == (1.5, MEASURED, 0.25, MIDDLE)
    assert said(chain[1]) == (1.5, MEASURED, 0.25, LAST)
    before_all = point_insert(on(run), before=cut).result
    assert (said(before_all), said(cut)) == ((1.5, MEASURED, 0.25, FIRST), (1.5, MEASURED, 0.25, MIDDLE))


def test_a_measured_distance_leaves_the_rest_to_the_other_share(
    run: Run, chain: list[Point], cut: Point
) -> None:
    point_correct(on(run, AFTER_THAT), point=cut, length_m=2.0, length_basis=MEASURED)
    assert said(cut) == (2.0, MEASURED, None, None)
    assert said(chain[1]) == (4.0, MEASURED, None, None)
    assert facts_of(chain[1]).parent == cut


def test_so_does_a_measured_distance_of_the_far_share(run: Run, chain: list[Point], cut: Point) -> None:
    point_correct(on(run, AFTER_THAT), point=chain[1], length_m=2.5, length_basis=MEASURED)
    assert said(cut) == (3.5, MEASURED, None, None)
    assert said(chain[1]) == (2.5, MEASURED, None, None)


def test_a_distance_measured_between_two_cuts_leaves_what_is_around_it(
    run: Run, chain: list[Point], cut: Point, cut_again: Point
) -> None:
    """1 m of the 6 m: the other 5 m are shared as 1/2 to 1/4."""
    point_correct(on(run, AFTER_THAT), point=cut_again, length_m=1.0, length_basis=MEASURED)
    assert said(cut_again) == (1.0, MEASURED, None, None)
    assert said(cut) == pytest.approx((10 / 3, MEASURED, 2 / 3, FIRST))
    assert said(chain[1]) == pytest.approx((5 / 3, MEASURED, 1 / 3, LAST))
    point_correct(on(run, AFTER_THAT), point=chain[1], length_m=1.5, length_basis=MEASURED)
    assert said(cut) == pytest.approx((3.5, MEASURED, None, None))
    assert said(cut_again) == (1.0, MEASURED, None, None)


def test_a_cut_at_a_known_distance_from_a_cut_takes_from_the_whole(
    run: Run, chain: list[Point], cut: Point
) -> None:
    """2 m behind the first cut: the other 4 m lie before the one or behind the other."""
    known = point_insert(on(run), before=chain[1], distance_from_parent_m=2.0, distance_basis=MEASURED).result
    assert said(known) == (2.0, MEASURED, None, None)
    assert said(cut) == (2.0, MEASURED, 0.5, FIRST)
    assert said(chain[1]) == (2.0, MEASURED, 0.5, LAST)
    assert facts_of(chain[1]).parent == known
    with pytest.raises(ChangeRefused, match=r"recorded as 4 m long, shorter than 4\.5 m") as caught:
        point_insert(on(run), before=cut, distance_from_parent_m=4.5, distance_basis=MEASURED)
    assert caught.value.problems[0].pointer == "/distance_from_parent_m"


def test_more_than_the_whole_is_refused_until_the_other_share_is_known(
    run: Run, chain: list[Point], cut: Point
) -> None:
    with pytest.raises(ChangeRefused, match=r"6 m long, shorter than 7 m\. Correct the length to point 2"):
        point_correct(on(run, AFTER_THAT), point=cut, length_m=7.0, length_basis=MEASURED)
    point_correct(on(run, AFTER_THAT), point=chain[1], length_m=1.0, length_basis=MEASURED)
    point_correct(on(run, AFTER_THAT), point=cut, length_m=7.0, length_basis=MEASURED)
    assert (said(cut)[0], said(chain[1])[0]) == (7.0, 1.0)


def test_of_an_unknown_whole_the_rest_stays_unknown(run: Run) -> None:
    far = point_append(on(run), run=run).result
    near = point_insert(on(run), before=far).result
    assert (said(near), said(far)) == ((None, UNKNOWN, 0.5, FIRST), (None, UNKNOWN, 0.5, LAST))
    point_correct(on(run, AFTER_THAT), point=near, length_m=5.0, length_basis=MEASURED)
    assert (said(near), said(far)) == ((5.0, MEASURED, None, None), (None, UNKNOWN, None, None))


def test_a_new_cable_to_the_cut_leaves_any_part_of_the_old_one(
    run: Run, chain: list[Point], cut: Point
) -> None:
    point_alter(on(run, AFTER_THAT), point=cut, length_m=30.0, length_basis=MEASURED)
    assert said(cut) == (30.0, MEASURED, None, None)
    assert said(chain[1]) == (3.0, MEASURED, 0.5, ALONE)


def test_so_does_another_parent(run: Run, chain: list[Point], cut: Point, cut_again: Point) -> None:
    """What is rerouted keeps what it has of the cable; the others share what is left."""
    point_alter(on(run, AFTER_THAT), point=cut, after=None)
    assert said(cut) == (3.0, MEASURED, 0.5, ALONE)
    assert said(cut_again) == (1.5, MEASURED, 0.25, ALONE)
    assert said(chain[1]) == (1.5, MEASURED, 0.25, MIDDLE)


def test_to_say_again_what_is_recorded_changes_nothing(run: Run, chain: list[Point], cut: Point) -> None:
    point_alter(on(run, AFTER_THAT), point=cut, length_m=3.0, length_basis=MEASURED, after=chain[0])
    assert (said(cut), said(chain[1])) == ((3.0, MEASURED, 0.5, FIRST), (3.0, MEASURED, 0.5, LAST))


def test_a_corrected_length_is_carried_on_to_the_shares(
    run: Run, chain: list[Point], cut: Point, cut_again: Point
) -> None:
    """Before it was cut the segment was not 6 m long but 8 m, off a drawing, and so were its shares."""
    done = point_correct(
        on(run, AFTER_THAT), point=chain[1], length_m=8.0, length_basis=DRAWING, held_on=BUILT_ON
    )
    assert said(cut) == (4.0, DRAWING, 0.5, FIRST)
    assert said(cut_again) == (2.0, DRAWING, 0.25, MIDDLE)
    assert said(chain[1]) == (2.0, DRAWING, 0.25, LAST)
    before = points_before(first_step_after(BUILT_ON), site_id=run.site_id, run_ids=[run.pk])
    assert [row.length_m for row in before] == [6.0, 8.0, 6.0]
    assert {facts_of(point).change_set_id for point in (cut, cut_again, chain[1])} == {done.change_set.pk}
    assert facts_of(chain[2]).change_set_id != done.change_set.pk


def test_what_was_there_all_along_shares_each_length_that_the_segment_had(
    run: Run, chain: list[Point], speaker: DeviceModel
) -> None:
    point_alter(on(run), point=chain[1], length_m=10.0, length_basis=MEASURED)
    found = point_found(on(run, AFTER_THAT), run=run, before=chain[1], model=speaker).result
    halves = [(3.0, 0.5, FIRST), (5.0, 0.5, FIRST)]
    rows = found.facts.order_by("step")
    assert [(row.length_m, row.length_share, row.length_share_place) for row in rows] == halves
    assert said(chain[1]) == (5.0, MEASURED, 0.5, LAST)
    assert [row.step for row in rows] == [row.step for row in chain[1].facts.order_by("step")]


def test_what_is_left_of_a_segment_is_cut_and_measured_as_such(
    run: Run, chain: list[Point], cut: Point
) -> None:
    """Any part of the 6 m may be left, half of it is likely: cut again, the halves are quarters of the 6 m.
    What is measured of one says nothing of the other."""
    point_alter(on(run, AFTER_THAT), point=cut, length_m=30.0, length_basis=MEASURED)
    again = point_insert(on(run, AFTER_THAT), before=chain[1]).result
    assert said(again) == (1.5, MEASURED, 0.25, ALONE)
    assert said(chain[1]) == (1.5, MEASURED, 0.25, MIDDLE)
    point_correct(on(run, AFTER_THAT), point=again, length_m=1.0, length_basis=MEASURED)
    assert said(again) == (1.0, MEASURED, None, None)
    assert said(chain[1]) == (1.5, MEASURED, 0.25, ALONE)


def test_a_cut_at_a_known_distance_into_what_is_left(run: Run, chain: list[Point], cut: Point) -> None:
    """2 m of the 6 m: of the other 4 m any part is left, likely half."""
    point_alter(on(run, AFTER_THAT), point=cut, length_m=30.0, length_basis=MEASURED)
    known: dict[str, Any] = {"distance_from_parent_m": 2.0, "distance_basis": MEASURED}
    assert said(point_insert(on(run, AFTER_THAT), before=chain[1], **known).result) == (
        2.0, MEASURED, None, None,
    )  # fmt: skip
    assert said(chain[1]) == (2.0, MEASURED, 0.5, ALONE)


def test_a_share_may_be_all_of_the_whole(run: Run, chain: list[Point], cut: Point) -> None:
    point_correct(on(run, AFTER_THAT), point=cut, length_m=6.0, length_basis=MEASURED)
    assert said(chain[1]) == (0.0, MEASURED, None, None)


def test_a_length_corrected_of_a_day_leaves_the_rest_to_the_shares_of_that_day(
    run: Run, chain: list[Point], cut: Point
) -> None:
    """A month after the cut its cable was a new one, and any part of the old 6 m was left behind it. On the
    day of the cut 2 of the 6 m lay before it: 4 m behind it on that day, and what was left later stays."""
    point_alter(on(run, AFTER_THAT), point=cut, length_m=30.0, length_basis=MEASURED)
    point_correct(on(run, AFTER_THAT), point=cut, length_m=2.0, length_basis=MEASURED, held_on=LATER)
    lengths = [(row.length_m, row.length_share_place) for row in chain[1].facts.order_by("step")]
    assert lengths == [(6.0, None), (4.0, None), (3.0, ALONE)]
    assert [row.length_m for row in cut.facts.order_by("step")] == [2.0, 30.0]
