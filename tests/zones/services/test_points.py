"""Points added to a run and inserted into it: their order, lengths, names and what is refused."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.services import change_accept
from sites.models import Basis, DeviceModel
from tests import factories
from tests.factories import BUILT_ON
from tests.zones.services.point_histories import AFTER_THAT, LATER, facts_of, on, parents
from zones.models import Point, PointFacts, Run
from zones.services.points import (
    point_alter,
    point_append,
    point_insert,
)

pytestmark = pytest.mark.django_db
Kind = PointFacts.Kind


def test_points_are_added_in_order_and_named_by_number(run: Run, chain: list[Point]) -> None:
    assert parents(run, BUILT_ON) == [("1", None, 6.0), ("2", "1", 6.0), ("3", "2", 6.0)]


def test_a_point_behind_an_earlier_one_is_a_branch(run: Run, chain: list[Point]) -> None:
    branch = point_append(on(run), run=run, after=chain[0], name="branch").result
    assert facts_of(branch).parent == chain[0]
    assert branch.rank > chain[2].rank


def test_the_kind_of_device_follows_from_its_model(run: Run, horn: DeviceModel) -> None:
    point = point_append(on(run), run=run, model=horn).result
    assert facts_of(point).device_kind == PointFacts.DeviceKind.HORN


def test_an_uncounted_group_stands_for_devices_not_counted(run: Run) -> None:
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


def test_only_a_speaker_is_connected_to_a_run(run: Run) -> None:
    switch = factories.make_model(DeviceModel.Kind.SWITCH)
    with pytest.raises(ChangeRefused, match="expected a ceiling speaker or wall speaker or horn") as caught:
        point_append(on(run), run=run, model=switch)
    assert caught.value.problems[0].pointer == "/model_id"


def test_a_model_says_what_kind_of_device_it_is(run: Run, horn: DeviceModel) -> None:
    with pytest.raises(ChangeRefused) as caught:
        point_append(on(run), run=run, model=horn, device_kind=PointFacts.DeviceKind.WALL_SPEAKER)
    assert caught.value.problems[0].pointer == "/device_kind"


def test_a_point_is_behind_one_of_its_own_run(run: Run, chain: list[Point]) -> None:
    other = factories.make_run(run.block)
    with pytest.raises(ChangeRefused, match="belongs to another run") as caught:
        point_append(on(run), run=other, after=chain[0])
    assert caught.value.problems[0].pointer == "/after_id"


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


def test_cutting_into_the_same_place_again_and_again_puts_the_run_in_order_again(
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
