"""Runs: what feeds them, re-patched from a day on, ended when nothing lies on a block any more."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.steps import first_step_after
from sites.models import Amplifier, Block, Closet, Endpoint, Site, Supply
from sites.selectors import standing
from sites.services.closets import block_alter, block_end, closet_end
from sites.services.endpoints import endpoint_end
from sites.services.power import amplifier_end, supply_end
from tests import factories
from tests.factories import BUILT_ON, change
from zones.models import Landing, Run, Zone
from zones.selectors import pulled_clips_before, runs_before
from zones.services.landings import (
    PairUse,
    clip_correct,
    clip_pull,
    clip_put,
    landing_add,
    landing_correct,
    landing_end,
)
from zones.services.points import point_alter, point_append
from zones.services.runs import run_alter, run_correct, run_end
from zones.services.zones import zone_end, zone_endpoint_add, zone_endpoint_end

pytestmark = pytest.mark.django_db
LATER = dt.date(2025, 9, 1)
AFTER_THAT = dt.date(2025, 10, 1)
Carries = Landing.Carries


def on(site: Site, day: dt.date = LATER, **fields: Any) -> Any:
    return change(site, happened_on=day, **fields)


@pytest.fixture
def supply(closet: Closet) -> Supply:
    return factories.make_supply(closet, name="PS 1")


@pytest.fixture
def gateway(closet: Closet) -> Endpoint:
    return factories.make_gateway(closet)


@pytest.fixture
def amplifier(closet: Closet) -> Amplifier:
    return factories.make_amplifier(closet)


def refusal(caught: pytest.ExceptionInfo[ChangeRefused]) -> tuple[str, str]:
    (problem,) = caught.value.problems
    return problem.pointer, problem.code


def test_a_run_is_re_patched_from_a_day_on(site: Site, run: Run, zone: Zone, gateway: Endpoint) -> None:
    other = factories.make_zone(site)
    output = gateway.outputs.get(number=2)
    run_alter(on(site), run=run, zone=other, output=output)
    then, now = (runs_before(first_step_after(day), site_ids=[site.pk])[0][1] for day in (BUILT_ON, LATER))
    assert (then.zone, then.output) == (zone, None)
    assert (now.zone, now.output) == (other, output)


def test_runs_of_a_zone_as_of_a_day(site: Site, run: Run, zone: Zone) -> None:
    other = factories.make_zone(site)
    run_alter(on(site), run=run, zone=other)
    find = {"site_ids": [site.pk], "zone_ids": [zone.pk]}
    assert [one for one, _ in runs_before(first_step_after(BUILT_ON), **find)] == [run]
    assert runs_before(first_step_after(LATER), **find) == []


def test_a_run_is_fed_by_what_feeds_its_kind(
    site: Site, run: Run, block: Block, supply: Supply, amplifier: Amplifier
) -> None:
    with pytest.raises(ChangeRefused, match="A self-amplified run is not fed by an amplifier") as caught:
        run_alter(on(site), run=run, amplifier=amplifier)
    assert refusal(caught) == ("/amplifier_id", "wrong_kind")
    line = factories.make_run(block, kind=Run.Kind.CONSTANT_VOLTAGE, amplifier=amplifier)
    with pytest.raises(ChangeRefused) as caught:
        run_alter(on(site), run=line, supply=supply)
    assert refusal(caught) == ("/supply_id", "wrong_kind")


def test_a_rating_is_that_of_a_fitted_fuse(site: Site, run: Run) -> None:
    run_alter(on(site), run=run, fuse_rating_a=1.0)
    assert run.facts.latest("step").fuse_fitted is True
    run_alter(on(site, AFTER_THAT), run=run, fuse_fitted=False)
    assert run.facts.latest("step").fuse_rating_a is None
    with pytest.raises(ChangeRefused) as caught:
        run_alter(on(site, AFTER_THAT), run=run, fuse_fitted=False, fuse_rating_a=1.0)
    assert refusal(caught) == ("/fuse_rating_a", "invalid")


def test_a_run_with_landings_is_not_ended_and_they_are_named(site: Site, run: Run, block: Block) -> None:
    first, second = landing_add(on(site), block=block, row=11, pair=1, carries=PairUse.AUDIO, run=run).result
    with pytest.raises(ChangeRefused) as caught:
        run_end(on(site, AFTER_THAT), run=run)
    assert refusal(caught) == ("", "in_use")
    assert f"(landing {first.pk})" in str(caught.value)
    assert f"row 12 of block {block.name}" in str(caught.value)
    landing_end(on(site, AFTER_THAT), landings=[first, second])
    run_end(on(site, AFTER_THAT), run=run)
    assert runs_before(first_step_after(AFTER_THAT), site_ids=[site.pk]) == []
    assert runs_before(first_step_after(LATER), site_ids=[site.pk]) != []


def test_a_supply_that_feeds_a_run_is_not_ended(site: Site, run: Run, supply: Supply) -> None:
    run_alter(on(site), run=run, supply=supply)
    with pytest.raises(ChangeRefused, match=rf"supply PS 1 .* is still used by run {run.name}"):
        supply_end(on(site, AFTER_THAT), supply=supply)
    run_alter(on(site, AFTER_THAT), run=run, supply=None)
    supply_end(on(site, AFTER_THAT), supply=supply)


def test_a_supply_is_not_ended_before_a_day_on_which_it_still_fed_something(
    site: Site, run: Run, supply: Supply
) -> None:
    run_alter(on(site, LATER), run=run, supply=supply)
    run_alter(on(site, AFTER_THAT), run=run, supply=None)
    with pytest.raises(ChangeRefused, match="is still used by run"):
        supply_end(on(site, LATER), supply=supply)


def test_a_supply_that_feeds_a_point_in_mid_run_is_not_ended(site: Site, run: Run, supply: Supply) -> None:
    point = point_append(on(site), run=run, feed_supply=supply).result
    with pytest.raises(ChangeRefused, match="is still used by point"):
        supply_end(on(site, AFTER_THAT), supply=supply)
    point_alter(on(site, AFTER_THAT), point=point, feed_supply=None)
    supply_end(on(site, AFTER_THAT), supply=supply)


def test_what_ended_with_its_run_uses_nothing(site: Site, run: Run, supply: Supply) -> None:
    run_alter(on(site), run=run, supply=supply)
    run_end(on(site, AFTER_THAT), run=run)
    ended = supply_end(on(site, AFTER_THAT), supply=supply).change_set
    supply.refresh_from_db()
    assert supply.end_step == ended.step


@pytest.mark.parametrize("kind", ["output", "amplifier", "zone", "block", "closet"])
def test_nothing_in_use_is_ended(
    site: Site, closet: Closet, run: Run, zone: Zone, gateway: Endpoint, amplifier: Amplifier, kind: str
) -> None:
    run_alter(on(site), run=run, output=gateway.outputs.get(number=1))
    factories.make_run(run.block, kind=Run.Kind.CONSTANT_VOLTAGE, amplifier=amplifier)
    end: dict[str, Callable[[], object]] = {
        "output": lambda: endpoint_end(on(site), endpoint=gateway),
        "amplifier": lambda: amplifier_end(on(site), amplifier=amplifier),
        "zone": lambda: zone_end(on(site), zone=zone),
        "block": lambda: block_end(on(site), block=run.block),
        "closet": lambda: closet_end(on(site), closet=closet),
    }
    with pytest.raises(ChangeRefused) as caught:
        end[kind]()
    assert refusal(caught) == ("", "in_use")


def test_a_zone_in_which_a_network_speaker_is_heard_is_not_ended(site: Site) -> None:
    zone, speaker = factories.make_zone(site), factories.make_gateway(factories.make_closet(site))
    heard = zone_endpoint_add(on(site), zone=zone, endpoint=speaker).result
    with pytest.raises(ChangeRefused, match="is still used by endpoint"):
        zone_end(on(site, AFTER_THAT), zone=zone)
    with pytest.raises(ChangeRefused, match="is still used by zone"):
        endpoint_end(on(site, AFTER_THAT), endpoint=speaker)
    zone_endpoint_end(on(site, AFTER_THAT), zone_endpoint=heard)
    zone_end(on(site, AFTER_THAT), zone=zone)


def test_a_zone_that_a_speaker_of_another_run_hangs_in_is_not_ended(site: Site, run: Run) -> None:
    neighbour = factories.make_zone(site)
    point_append(on(site), run=run, zone=neighbour)
    with pytest.raises(ChangeRefused, match="is still used by point"):
        zone_end(on(site), zone=neighbour)


def test_what_was_recorded_of_a_run_was_wrong(
    site: Site, run: Run, supply: Supply, amplifier: Amplifier
) -> None:
    run_alter(on(site), run=run, supply=supply)
    done = run_correct(
        on(site, AFTER_THAT), run=run, kind=Run.Kind.CONSTANT_VOLTAGE, supply=None, amplifier=amplifier
    )
    run.refresh_from_db()
    assert run.kind == Run.Kind.CONSTANT_VOLTAGE
    latest = run.facts.latest("step")
    assert (latest.supply, latest.amplifier, latest.change_set_id) == (None, amplifier, done.change_set.pk)


def test_a_run_is_not_of_a_kind_that_its_recorded_feed_does_not_fit(
    site: Site, run: Run, supply: Supply
) -> None:
    run_alter(on(site), run=run, supply=supply)
    with pytest.raises(ChangeRefused, match="is not fed by a supply") as caught:
        run_correct(on(site, AFTER_THAT), run=run, kind=Run.Kind.CONSTANT_VOLTAGE)
    assert caught.value.problems[0].pointer == "/supply_id"


# --- landings and clips --------------------------------------------------------------------------------


def test_a_pair_takes_two_rows(site: Site, run: Run, block: Block) -> None:
    landing_add(on(site), block=block, row=11, pair=2, carries=PairUse.DC, run=run)
    lying = standing(Landing, first_step_after(LATER), block=block).order_by("row", "side")
    assert [(one.row, one.pair, one.conductor, one.carries, one.side) for one in lying] == [
        (11, 2, "first", Carries.DC_POSITIVE, "field"),
        (12, 2, "second", Carries.DC_NEGATIVE, "field"),
    ]


def test_a_reversed_pair_is_recorded_as_it_lies(site: Site, run: Run, block: Block) -> None:
    pair = landing_add(
        on(site), block=block, row=11, second_row=20, pair=1, carries=PairUse.AUDIO, run=run, reversed=True
    ).result
    assert [(one.row, one.carries) for one in pair] == [
        (11, Carries.AUDIO_NEGATIVE),
        (20, Carries.AUDIO_POSITIVE),
    ]


def test_a_conductor_was_written_down_on_another_row(site: Site, run: Run, block: Block) -> None:
    first, _ = landing_add(on(site), block=block, row=11, pair=1, carries=PairUse.AUDIO, run=run).result
    landing_correct(on(site, AFTER_THAT), landing=first, row=13, carries=Carries.AUDIO_NEGATIVE)
    lying = standing(Landing, first_step_after(LATER), block=block).order_by("row", "side")
    assert [(one.row, one.carries) for one in lying] == [
        (12, Carries.AUDIO_NEGATIVE),
        (13, Carries.AUDIO_NEGATIVE),
    ]
    with pytest.raises(ChangeRefused) as caught:
        landing_correct(on(site, AFTER_THAT), landing=first, row=51)
    assert caught.value.problems[0].pointer == "/row"
    with pytest.raises(ChangeRefused) as caught:
        landing_correct(on(site, AFTER_THAT), landing=first, pair=0)
    assert caught.value.problems[0].pointer == "/pair"


def test_two_wires_on_one_row_are_recorded(site: Site, run: Run, block: Block) -> None:
    for pair in (1, 2):
        landing_add(on(site), block=block, row=11, pair=pair, carries=PairUse.SPARE, run=run)
    assert Landing.objects.filter(row=11).count() == 2


def test_equipment_lands_on_the_other_side(
    site: Site, block: Block, supply: Supply, gateway: Endpoint, amplifier: Amplifier
) -> None:
    things: dict[str, Any] = {
        "supply": supply,
        "output": gateway.outputs.get(number=1),
        "amplifier": amplifier,
    }
    for number, (name, thing) in enumerate(things.items()):
        landed = landing_add(
            on(site), block=block, row=2 * number + 1, pair=1, carries=PairUse.SPARE, **{name: thing}
        ).result
        assert {one.side for one in landed} == {"equipment"}


@pytest.mark.parametrize(
    ("fields", "pointer"),
    [
        ({"row": 50}, "/second_row"),
        ({"row": 0}, "/row"),
        ({"row": 51, "second_row": 1}, "/row"),
        ({"pair": 26}, "/pair"),
        ({"pair": 0}, "/pair"),
        ({"run": None}, "/run_id"),
    ],
)
def test_a_landing_that_cannot_be_is_refused(
    site: Site, run: Run, block: Block, fields: dict[str, Any], pointer: str
) -> None:
    given = {"row": 1, "pair": 1, "run": run, **fields}
    with pytest.raises(ChangeRefused) as caught:
        landing_add(on(site), block=block, carries=PairUse.AUDIO, **given)
    assert caught.value.problems[0].pointer == pointer


def test_a_landing_is_of_one_thing(site: Site, run: Run, block: Block, supply: Supply) -> None:
    with pytest.raises(ChangeRefused, match="not run and supply"):
        landing_add(on(site), block=block, row=1, pair=1, carries=PairUse.DC, run=run, supply=supply)


def test_clips_are_pulled_and_put(site: Site, block: Block) -> None:
    clip_pull(on(site), block=block, rows=[11, 12])
    clip_put(on(site, AFTER_THAT), block=block, rows=[12, 30])
    for day, out in ((BUILT_ON, set()), (LATER, {11, 12}), (AFTER_THAT, {11})):
        pulled = pulled_clips_before(first_step_after(day), block_ids=[block.pk])
        assert pulled == {(block.pk, row) for row in out}
    assert block.clips.filter(row=30).count() == 0  # it was in, as every clip is of which nothing is recorded


def test_a_clip_was_recorded_wrongly(site: Site, block: Block) -> None:
    clip_pull(on(site), block=block, rows=[11])
    clip_correct(on(site, AFTER_THAT), block=block, row=11, is_in=True)
    assert pulled_clips_before(first_step_after(LATER), block_ids=[block.pk]) == set()


def test_only_a_block_that_has_clips_has_them_pulled(site: Site, closet: Closet, block: Block) -> None:
    screw = factories.make_block(closet, kind=Block.Kind.SCREW)
    with pytest.raises(ChangeRefused, match="Nothing on it can be pulled"):
        clip_pull(on(site), block=screw, rows=[1])
    with pytest.raises(ChangeRefused) as caught:
        clip_pull(on(site), block=block, rows=[3, 51])
    assert caught.value.problems[0].pointer == "/rows/1"


def test_a_block_keeps_the_rows_that_something_lies_on(site: Site, run: Run, block: Block) -> None:
    landing_add(on(site), block=block, row=11, pair=2, carries=PairUse.DC, run=run)
    clip_pull(on(site), block=block, rows=[11])
    altered: dict[str, Any]
    for altered, code in (
        ({"row_count": 11}, "landing_row_of_its_block"),
        ({"kind": Block.Kind.SCREW}, "clip_facts_block_can_isolate"),
    ):
        with pytest.raises(ChangeRefused) as caught:
            block_alter(on(site, AFTER_THAT), block=block, **altered)
        assert caught.value.problems[0].code == code
