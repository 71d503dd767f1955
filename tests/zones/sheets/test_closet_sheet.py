"""The sheet of a closet: loads, findings and changes, as of which day, and how many queries it takes."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from sites.changes.services import open_change_set
from sites.models import Basis, Closet, DeviceModel, Site
from sites.services.endpoints import endpoint_move
from sites.services.power import supply_alter
from tests import factories
from tests.halls import Hall, lose_facts
from tests.zones.sheets.sheets import LATER, sheet_of
from zones.electrical.verdicts import Verdict
from zones.models import Point, PointFacts, Test
from zones.recheck.batch import recheck
from zones.services.landings import PairUse, clip_pull, landing_add
from zones.services.zones import zone_alter

pytestmark = pytest.mark.django_db


def test_each_zone_with_its_load(hall: Hall) -> None:
    zone_alter(factories.change(hall.site), zone=hall.zone, page_code="71", groups=["all calls"])
    one = next(one for one in sheet_of(hall.closet).zones if one.zone == hall.zone)
    assert (one.zone.page_code, one.zone.groups) == ("71", ["all calls"])
    assert one.load.verdict is Verdict.CANNOT_TELL
    assert one.load.tightest is not None
    # by hand: 40 speakers at half of 80 mA are 1.60 A of 0.8 x 2 A: nothing left
    assert (one.load.tightest.load.code, one.load.tightest.headroom_words) == ("supply_current", "0 % left")


def test_a_fault_that_is_there_or_not_has_no_headroom(hall: Hall) -> None:
    """One conductor a row is not "0 % left"."""
    loads = [load.load for one in sheet_of(hall.closet).zones for load in one.load.figures]
    assert {load.code for load in loads} >= {"row_used_twice", "supply_current"}
    assert {load.headroom_likely for load in loads if load.code == "row_used_twice"} == {None}


def test_what_cannot_be_judged_is_shown_with_why(hall: Hall) -> None:
    unknown = [sentence for sentence in sheet_of(hall.closet).unknown if "supply current" in sentence]
    (said,) = unknown
    assert said == (
        "Cannot tell: supply current of supply PS 1. Supply PS 1 delivers 1.60 A (1.52 A to 1.68 A) "
        "during a page; limit 1.60 A. Everything it depends on is recorded, yet the "
        "estimates are on both sides of the limit: only a measurement can settle it."
    )


def test_tests_of_a_change_are_called_tests(hall: Hall) -> None:
    for number in (1, 2):
        said = {"state": Test.State.PAGING, "passed": True, "taken_on": LATER, "note": f"{number}"}
        factories.take_test(hall.run, kind=Test.Kind.LISTENING, **said)
    assert [one.what for one in sheet_of(hall.closet, LATER).changes[:2]] == [("1 test recorded",)] * 2


def test_what_cannot_be_computed_is_said(hall: Hall) -> None:
    lose_facts(hall.points[5])
    assert any(
        sentence.startswith("Run R1 cannot be computed: the point before one of its points")
        for sentence in sheet_of(hall.closet).unknown
    )


@pytest.mark.django_db(transaction=True)
def test_open_findings_name_the_change_and_their_ticket(hall: Hall) -> None:
    factories.make_points(
        hall.run, 12, hall.speaker, length_m=1.0, current_basis=Basis.MEASURED, happened_on=LATER
    )
    assert not recheck([hall.site.pk]).failed
    today = dt.datetime.now(dt.UTC).date()
    sheet = sheet_of(hall.closet, today)
    found = next(one for one in sheet.findings if one.finding.code == "supply_current")
    assert found.words.sentence.startswith("Supply PS 1 delivers 2.08 A")
    assert "wall speaker" in found.words.attribution["sentence"]
    assert not found.elsewhere
    assert found.finding.case.site_id == hall.site.pk
    assert f"findings are open, the worst: {sheet.findings[0].words.sentence}" in sheet.summary
    # They are known only once the recheck has found them
    assert sheet_of(hall.closet, today - dt.timedelta(days=1)).findings == ()
    bare = factories.make_closet(hall.site, name="empty")
    assert sheet_of(bare, today).findings == ()


def test_the_last_changes_that_touched_something_here(hall: Hall) -> None:
    elsewhere = factories.make_closet(hall.site)
    for number in range(7):
        day = LATER + dt.timedelta(days=number)
        change = factories.change(hall.site, happened_on=day, reason=f"visit {number}", job_reference="LS-9")
        if number == 5:
            factories.make_supply(elsewhere)
            supply_alter(change, supply=elsewhere.supplies.get(), note="of another closet")
        else:
            clip_pull(change, block=hall.block, rows=[20 + number])
    changes = sheet_of(hall.closet, LATER + dt.timedelta(days=6)).changes
    assert [one.reason for one in changes] == ["visit 6", "visit 4", "visit 3", "visit 2", "visit 1"]
    assert changes[0].what == ("1 clip pulled",)
    assert (changes[0].actor, changes[0].job_reference) == (factories.INTEGRATOR, "LS-9")
    assert changes[0].happened_on == LATER + dt.timedelta(days=6)
    before = sheet_of(hall.closet, LATER + dt.timedelta(days=1)).changes
    assert [one.reason for one in before[:2]] == ["visit 1", "visit 0"]


def test_a_change_says_what_was_done_and_not_what_its_operation_can_do(hall: Hall) -> None:
    larger = factories.make_model(DeviceModel.Kind.SUPPLY, name="4 A supply", rated_current_a=4.0)
    supply_alter(factories.change(hall.site, happened_on=LATER), supply=hall.supply, model=larger)
    day = LATER + dt.timedelta(days=1)
    # without operations, as an import writes it
    with open_change_set(factories.change(hall.site, happened_on=day)) as change_set:
        assert change_set.step is not None
        last = hall.run.points.order_by("rank").last()
        assert last is not None
        for number in (1, 2):
            point = Point.objects.create(
                site=hall.site, run=hall.run, name=f"more {number}", rank=last.rank + number,
                change_set=change_set,
            )  # fmt: skip
            PointFacts.objects.create(
                site_id=hall.site.pk, run=hall.run, point=point, rank=point.rank, parent=last,
                parent_rank=last.rank, step=change_set.step, change_set=change_set, device_kind=2,
            )  # fmt: skip
    imported, replaced = sheet_of(hall.closet, day).changes[:2]
    assert imported.what == ("2 wall speakers added",)
    assert replaced.what == ("supply PS 1 replaced, rated current raised from 2.00 A to 4.00 A",)


def test_it_is_as_it_was_on_the_day(hall: Hall) -> None:
    larger = factories.make_model(DeviceModel.Kind.SUPPLY, name="4 A supply", rated_current_a=4.0)
    supply_alter(factories.change(hall.site, happened_on=LATER), supply=hall.supply, model=larger)
    assert sheet_of(hall.closet, LATER).equipment.supplies[0].rated_current_a == 4.0
    assert sheet_of(hall.closet, LATER - dt.timedelta(days=1)).equipment.supplies[0].rated_current_a == 2.0


def test_a_full_closet_costs_as_many_queries_as_a_small_one(hall: Hall, site: Site) -> None:
    factories.make_supply(hall.closet)  # whose name is looked up, as that of what comes below
    small = queries_of(hall.closet)
    for number in range(4):
        block = factories.make_block(hall.closet)
        supply = factories.make_supply(hall.closet)
        gateway = factories.make_gateway(hall.closet)
        endpoint_move(factories.change(site), endpoint=gateway, port=hall.switch.ports.get(number=number + 4))
        run = factories.make_run(
            block, zone=factories.make_zone(site), supply=supply, output=gateway.outputs.get(number=1)
        )
        factories.make_points(run, 3, hall.speaker, cable_type=factories.make_cable())
        landing_add(factories.change(site), block=block, row=1, pair=1, carries=PairUse.DC, run=run)
    assert queries_of(hall.closet) == small


def queries_of(closet: Closet) -> int:
    with CaptureQueriesContext(connection) as queries:
        sheet_of(closet)
    return len(queries)
