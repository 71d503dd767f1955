"""Drafts: what they keep, what they expect, and what happens when someone came in between."""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import Any

import pytest

from sites.changes.errors import ChangeConflict, ChangeRefused
from sites.changes.operations import read_operations
from sites.changes.selectors import describe_change_set
from sites.changes.services import (
    change_accept,
    change_set_accept,
    change_set_draft,
    change_set_revise,
    change_set_trial,
    change_set_withdraw,
    today_at,
)
from sites.changes.signals import change_set_accepted
from sites.models import Block, Closet, DeviceModel, Site, Supply, SupplyFacts
from sites.models.access import User
from sites.models.changes import Change, ChangeSet, Mark
from sites.services.power import supply_alter, supply_end
from sites.services.sites import site_alter
from tests import factories
from tests.factories import change
from zones.models import Point, PointFacts, Run
from zones.services.points import point_append, point_insert

pytestmark = pytest.mark.django_db
DAY = dt.date(2025, 5, 6)


@pytest.fixture
def supply(closet: Closet) -> Supply:
    return factories.make_supply(closet)


@pytest.fixture
def larger() -> DeviceModel:
    return factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=4.0)


@pytest.fixture
def swap(supply: Supply, larger: DeviceModel) -> dict[str, Any]:
    return {"op": "supply.alter", "supply_id": supply.pk, "model_id": larger.pk}


def test_a_draft_writes_nothing_to_the_record(site: Site, supply: Supply, swap: dict[str, Any]) -> None:
    Mark.objects.all().delete()
    before = (Change.objects.count(), SupplyFacts.objects.count())
    draft = change_set_draft(change(site, happened_on=DAY), [swap])
    assert (Change.objects.count(), SupplyFacts.objects.count()) == before
    assert not Mark.objects.exists()
    assert (draft.state, draft.step, draft.recorded_at) == ("draft", None, None)


def test_a_draft_keeps_the_versions_of_the_rows_it_builds_on(
    site: Site, supply: Supply, swap: dict[str, Any]
) -> None:
    draft = change_set_draft(change(site, happened_on=DAY), [swap])
    version = supply.facts.get().change_set_id
    assert draft.operations == [{**swap, "expects": {f"supply_facts/{supply.pk}": version}}]


def test_rows_that_the_draft_itself_makes_are_not_expected(
    site: Site, closet: Closet, larger: DeviceModel
) -> None:
    draft = change_set_draft(
        change(site, happened_on=DAY),
        [
            {"op": "supply.add", "closet_id": closet.pk, "name": "PS new", "label": "new"},
            {"op": "supply.alter", "supply_id": "@new", "model_id": larger.pk},
        ],
    )
    assert [body["expects"] for body in draft.operations] == [{}, {}]


def test_a_draft_may_branch_behind_a_point_that_it_makes_itself(closet: Closet, manager: User) -> None:
    run = factories.make_run(factories.make_block(closet))
    splice = {"op": "point.append", "run_id": run.pk, "kind": "splice"}
    draft = change_set_draft(
        change(closet.site),
        [{**splice, "label": "fork"}, {**splice, "after_id": "@fork"}, {**splice, "after_id": "@fork"}],
    )
    change_set_accept(change_set=draft, user=manager)
    assert PointFacts.objects.filter(parent__isnull=False, run=run).count() == 2


def test_an_accepted_draft_is_the_record(
    site: Site, supply: Supply, larger: DeviceModel, swap: dict[str, Any], manager: User
) -> None:
    draft = change_set_draft(
        change(site, happened_on=DAY, job_reference="J-7", purpose=ChangeSet.Purpose.REDLINE), [swap]
    )
    done = change_set_accept(change_set=draft, user=manager)
    assert done.result == supply
    assert done.change_set.state == ChangeSet.State.ACCEPTED
    assert done.change_set.accepted_by == manager
    assert (done.change_set.actor, done.change_set.job_reference) == (factories.INTEGRATOR, "J-7")
    facts = supply.facts.latest("step")
    assert (facts.model, facts.change_set_id, facts.step) == (larger, draft.pk, done.change_set.step)


def test_who_did_the_work_may_be_said_when_it_is_accepted(
    site: Site, swap: dict[str, Any], manager: User
) -> None:
    draft = change_set_draft(change(site, happened_on=DAY, done_by="Hallam Crew"), [swap])
    revised = change_set_revise(change_set=draft, done_by="  Tern  Electric ")
    assert revised.done_by == "Tern Electric"
    assert change_set_revise(change_set=draft, reason="as agreed").done_by == "Tern Electric"
    done = change_set_accept(change_set=draft, user=manager, done_by="Hallam Crew").change_set
    assert ChangeSet.objects.get(pk=done.pk).done_by == "Hallam Crew"
    assert describe_change_set(done).endswith(f"(Hallam Crew, recorded by {factories.INTEGRATOR})")


def test_a_draft_happens_on_the_day_it_is_accepted_unless_said(
    site: Site, supply: Supply, swap: dict[str, Any], manager: User
) -> None:
    plan = change_set_draft(change(site, happened_on=None), [swap])
    assert plan.happened_on is None
    done = change_set_accept(change_set=plan, user=manager)
    assert done.change_set.happened_on == today_at(site.pk)


@pytest.mark.parametrize("said", ["when drafted", "when revised", "when accepted"])
def test_a_draft_of_a_day_to_come_is_tried_and_is_accepted_as_planned(
    site: Site, swap: dict[str, Any], manager: User, said: str
) -> None:
    day = today_at(site.pk) + dt.timedelta(days=7)
    made = change(site, happened_on=day)
    draft = change_set_draft(dataclasses.replace(made, planned=said == "when drafted"), [swap])
    if said != "when drafted":
        with pytest.raises(ChangeRefused, match="planned"):
            change_set_accept(change_set=draft, user=manager)
    if said == "when revised":
        draft = change_set_revise(change_set=draft, planned=True)
    done = change_set_accept(
        change_set=draft, user=manager, planned=True if said == "when accepted" else None
    )
    assert (done.change_set.happened_on, done.change_set.planned) == (day, True)


def test_someone_in_between_is_a_conflict_that_names_them(
    site: Site, supply: Supply, swap: dict[str, Any], manager: User
) -> None:
    draft = change_set_draft(change(site, happened_on=DAY), [{"op": "closet.add", "name": "IDF 9"}, swap])
    between = supply_alter(
        change(site, happened_on=DAY, reason="fan had failed", job_reference="J-8"),
        supply=supply,
        model=factories.make_model(DeviceModel.Kind.SUPPLY),
    ).change_set
    with pytest.raises(ChangeConflict) as caught:
        change_set_accept(change_set=draft, user=manager)
    (problem,) = caught.value.problems
    assert (problem.pointer, problem.code) == ("/operations/1", "conflict")
    assert caught.value.between == (between.pk,)
    assert f"change set {between.pk} of 2025-05-06, job J-8: “fan had failed”" in problem.detail
    draft.refresh_from_db()
    assert draft.state == ChangeSet.State.DRAFT
    assert not Closet.objects.filter(name="IDF 9").exists()  # nothing half written


def test_a_thing_that_was_ended_meanwhile_is_a_conflict_too(
    site: Site, supply: Supply, swap: dict[str, Any], manager: User
) -> None:
    note = {"op": "supply.alter", "supply_id": supply.pk, "note": "hums"}
    draft = change_set_draft(change(site, happened_on=DAY), [note])
    ended = supply_end(change(site, happened_on=DAY), supply=supply).change_set
    with pytest.raises(ChangeConflict) as caught:
        change_set_accept(change_set=draft, user=manager)
    assert caught.value.between == (ended.pk,)


def test_changes_elsewhere_are_no_conflict(
    site: Site, closet: Closet, supply: Supply, swap: dict[str, Any], manager: User
) -> None:
    draft = change_set_draft(change(site, happened_on=DAY), [swap])
    factories.make_supply(closet)
    site_alter(change(site), note="new gate")
    supply_alter(change(site, happened_on=DAY), supply=supply, note="relabelled")
    change_set_accept(change_set=draft, user=manager)
    assert ChangeSet.objects.get(pk=draft.pk).state == ChangeSet.State.ACCEPTED


def test_a_point_hung_behind_the_same_one_is_a_conflict(site: Site, run: Run, manager: User) -> None:
    (last,) = factories.make_points(run, 1)
    append = {"op": "point.append", "run_id": run.pk, "after_id": last.pk, "name": "planned"}
    draft = change_set_draft(change(site, happened_on=DAY), [append])
    between = point_append(change(site, happened_on=DAY), run=run, after=last).change_set
    with pytest.raises(ChangeConflict) as caught:
        change_set_accept(change_set=draft, user=manager)
    assert caught.value.between == (between.pk,)


def test_a_revised_draft_builds_on_what_is_there_now(
    site: Site, supply: Supply, swap: dict[str, Any], manager: User
) -> None:
    draft = change_set_draft(change(site, happened_on=DAY), [swap])
    supply_alter(change(site, happened_on=DAY), supply=supply, model=None)
    revised = change_set_revise(change_set=draft, reason="as agreed again")
    assert revised.version > draft.version
    change_set_accept(change_set=revised, user=manager)
    assert supply.facts.count() == 3


def test_a_withdrawn_draft_can_be_taken_up_again(site: Site, swap: dict[str, Any], manager: User) -> None:
    draft = change_set_draft(change(site, happened_on=DAY), [swap])
    withdrawn = change_set_withdraw(change_set=draft)
    assert withdrawn.state == ChangeSet.State.WITHDRAWN
    with pytest.raises(ChangeRefused, match="is withdrawn"):
        change_set_accept(change_set=withdrawn, user=manager)
    again = change_set_revise(change_set=withdrawn)
    assert change_set_accept(change_set=again, user=manager).change_set.state == ChangeSet.State.ACCEPTED


def test_a_draft_is_accepted_once(site: Site, swap: dict[str, Any], manager: User) -> None:
    draft = change_set_draft(change(site, happened_on=DAY), [swap])
    change_set_accept(change_set=draft, user=manager)
    for again in (
        lambda: change_set_accept(change_set=draft, user=manager),
        lambda: change_set_revise(change_set=draft, reason="x"),
        lambda: change_set_withdraw(change_set=draft),
    ):
        with pytest.raises(ChangeRefused, match="is accepted"):
            again()


def test_a_draft_seen_at_an_older_version_is_a_conflict(
    site: Site, swap: dict[str, Any], manager: User
) -> None:
    draft = change_set_draft(change(site, happened_on=DAY), [swap])
    change_set_revise(change_set=draft, reason="another")
    with pytest.raises(ChangeConflict, match="changed meanwhile"):
        change_set_accept(change_set=draft, user=manager, expected_version=draft.version)


def test_inside_a_trial_the_record_is_as_if_accepted_and_afterwards_as_before(
    site: Site, supply: Supply, larger: DeviceModel, swap: dict[str, Any]
) -> None:
    draft = change_set_draft(change(site, happened_on=DAY), [swap])
    with change_set_trial(draft) as work:
        assert supply.facts.latest("step").model == larger
        assert work.step == supply.facts.latest("step").step
    assert supply.facts.count() == 1
    draft.refresh_from_db()
    assert (draft.state, draft.step) == ("draft", None)


def test_a_draft_that_cannot_be_applied_says_why_and_is_not_kept(site: Site, supply: Supply) -> None:
    horn = factories.make_model(DeviceModel.Kind.HORN)
    with pytest.raises(ChangeRefused) as caught:
        change_set_draft(
            change(site, happened_on=DAY),
            [{"op": "supply.alter", "supply_id": supply.pk, "model_id": horn.pk}],
        )
    assert [problem.pointer for problem in caught.value.problems] == ["/operations/0/model_id"]
    assert not ChangeSet.objects.filter(state="draft").exists()


def test_a_draft_may_add_a_site_and_what_stands_on_it(customer: Any, manager: User) -> None:
    bodies = [
        {"op": "site.add", "customer_id": customer.pk, "code": "north-quay", "name": "North quay"},
        {"op": "closet.add", "name": "MDF", "label": "mdf"},
        {"op": "block.add", "closet_id": "@mdf", "name": "B1", "kind": "66_split", "label": "b1"},
        {"op": "zone.add", "name": "Ticket hall", "label": "hall"},
        {
            "op": "endpoint.add",
            "name": "GW 1",
            "closet_id": "@mdf",
            "outputs": ["jack", "jack"],
            "label": "gw",
        },
        {
            "op": "run.add",
            "block_id": "@b1",
            "name": "R1",
            "kind": "self_amplified",
            "zone_id": "@hall",
            "output_id": "@gw/output/2",
            "label": "r1",
        },
        {"op": "point.append", "run_id": "@r1", "label": "p1"},
        {"op": "point.append", "run_id": "@r1", "after_id": "@p1"},
    ]
    draft = change_set_draft(change(happened_on=DAY, kind=ChangeSet.Kind.TAKEOVER, quiet=True), bodies)
    assert draft.site is None
    assert not Site.objects.filter(code="north-quay").exists()
    done = change_set_accept(change_set=draft, user=manager)
    site = Site.objects.get(code="north-quay")
    assert done.change_set.site == site
    facts = Run.objects.get(site=site).facts.get()
    assert facts.output is not None
    assert (facts.output.number, facts.zone and facts.zone.name) == (2, "Ticket hall")
    assert PointFacts.objects.get(parent__isnull=False).parent == Point.objects.earliest("rank")


def test_receivers_hear_of_it_in_the_same_transaction(
    site: Site, swap: dict[str, Any], manager: User
) -> None:
    heard: list[tuple[int, int]] = []
    draft = change_set_draft(change(site, happened_on=DAY), [swap])

    def listen(*, change_set: ChangeSet, **_sent: object) -> None:
        heard.append((change_set.pk, change_set.changes.count()))

    change_set_accepted.connect(listen)
    try:
        with change_set_trial(draft):
            assert heard == []  # a trial is not an acceptance
        change_set_accept(change_set=draft, user=manager)
        done = change_accept(change(site, happened_on=DAY), [{"op": "closet.add", "name": "x"}])
    finally:
        change_set_accepted.disconnect(listen)
    assert heard == [(draft.pk, 1), (done.change_set.pk, 1)]


def test_all_that_is_wrong_with_a_list_is_named_at_once(site: Site) -> None:
    with pytest.raises(ChangeRefused) as caught:
        change_accept(
            change(site),
            [
                {"op": "suply.add"},
                {"op": "closet.add", "nam": "MDF"},
                {"op": "point.append", "run_id": "7", "length_m": True, "length_basis": "roughly"},
                "closet.add",  # type: ignore[list-item]
                {"op": "closet.add", "name": "x", "label": "a/b"},
            ],
        )
    assert [
        (problem.pointer, problem.detail.split(";")[0].split(".")[0]) for problem in caught.value.problems
    ] == [
        ("/operations/0/op", "There is no operation 'suply"),
        ("/operations/1/name", "name is missing"),
        ("/operations/1/nam", "There is no 'nam' here"),
        (
            "/operations/2/run_id",
            "run_id: expected the id of a run, or the label of an earlier operation, such as @new",
        ),
        ("/operations/2/length_m", "length_m: expected a number from 0 to 10000 [m]"),
        (
            "/operations/2/length_basis",
            "length_basis: expected one of unknown, guessed, drawing, marked, measured",
        ),
        ("/operations/3", 'Expected an object such as {"op": "point'),
        ("/operations/4/label", "label must be a short name of letters, digits, spaces, dots and dashes"),
    ]


def test_an_operation_that_is_not_there_is_told_what_there_is_for_its_thing(site: Site) -> None:
    with pytest.raises(ChangeRefused) as caught:
        read_operations([{"op": "visit.add"}])
    (problem,) = caught.value.problems
    assert problem.detail == (
        "There is no operation 'visit.add'. Did you mean visit.alter? There are: visit.alter and "
        "visit.record."
    )


def test_a_reference_to_another_site_is_not_there(site: Site) -> None:
    theirs = factories.make_block()
    with pytest.raises(ChangeRefused) as caught:
        change_accept(change(site), [{"op": "block.end", "block_id": theirs.pk}])
    (problem,) = caught.value.problems
    assert (problem.pointer, problem.code) == ("/operations/0/block_id", "not_found")


def test_versions_of_another_site_are_not_told(site: Site, closet: Closet) -> None:
    theirs = factories.make_block()
    body = {"op": "closet.end", "closet_id": closet.pk, "expects": {f"block/{theirs.pk}": 3}}
    with pytest.raises(ChangeConflict) as caught:
        change_accept(change(site), [body])
    assert caught.value.between == ()
    assert str(theirs.change_set_id) not in caught.value.problems[0].detail


@pytest.mark.parametrize(
    "expects",
    [{"account/1": 3}, {"block_id": 3}, {"block/x": 3}, {"block/1/2/3/4": 3}, {"": 3}, {"block/1": "3"}, [3]],
)
def test_an_expectation_of_something_without_a_version_is_refused(
    site: Site, closet: Closet, expects: Any
) -> None:
    with pytest.raises(ChangeRefused) as caught:
        change_accept(change(site), [{"op": "closet.end", "closet_id": closet.pk, "expects": expects}])
    assert caught.value.problems[0].pointer == "/operations/0/expects"


def test_work_and_correction_are_two_change_sets(site: Site, supply: Supply, swap: dict[str, Any]) -> None:
    correct = {"op": "supply.correct", "supply_id": supply.pk, "model_id": None}
    with pytest.raises(ChangeRefused, match="make two"):
        change_accept(change(site), [correct, {"op": "closet.add", "name": "x"}])
    with pytest.raises(ChangeRefused, match=r"supply\.correct is a correction of the record"):
        change_accept(change(site, kind=ChangeSet.Kind.WORK), [correct])
    with pytest.raises(ChangeRefused, match="corrected, not superseded"):
        change_accept(change(site), [correct, swap])


def test_a_change_says_who_and_why(site: Site) -> None:
    with pytest.raises(ChangeRefused) as caught:
        change_accept(change(site, reason="  ", actor=" "), [{"op": "closet.add", "name": "x"}])
    assert [problem.pointer for problem in caught.value.problems] == ["/reason", "/actor"]


@pytest.mark.parametrize(
    ("fields", "pointer"),
    [
        ({"reason": "two\0horns"}, "/reason"),
        ({"job_reference": "J" * 81}, "/job_reference"),
        ({"done_by": "D" * 151}, "/done_by"),
        ({"happened_on": dt.date(1969, 12, 31)}, "/happened_on"),
    ],
)
def test_what_cannot_be_kept_of_a_change_is_named(site: Site, fields: dict[str, Any], pointer: str) -> None:
    with pytest.raises(ChangeRefused) as caught:
        change_accept(change(site, **fields), [{"op": "closet.add", "name": "x"}])
    assert [problem.pointer for problem in caught.value.problems] == [pointer]


def test_a_change_set_of_no_site_takes_only_what_sites_share(site: Site) -> None:
    with pytest.raises(ChangeRefused, match="name its site"):
        change_accept(change(), [{"op": "zone.add", "name": "x"}])
    with pytest.raises(ChangeRefused, match="make two"):
        change_accept(change(site), [{"op": "factor.set", "name": "x", "value": 1.0}])


def test_several_operations_in_one_change_set_hold_from_one_step(site: Site, run: Run) -> None:
    points = factories.make_points(run, 2)
    done = point_insert(change(site, happened_on=DAY), before=points[1])
    twice = change_accept(
        change(site, happened_on=DAY),
        [
            {"op": "point.alter", "point_id": done.result.pk, "place": "above the gate"},
            {"op": "point.alter", "point_id": done.result.pk, "dc_pairs": 2},
        ],
    )
    facts = done.result.facts.latest("step")
    assert (facts.place, facts.dc_pairs, facts.step) == ("above the gate", 2, twice.change_set.step)
    assert done.result.facts.count() == 2
    assert Block.objects.count() == 1
