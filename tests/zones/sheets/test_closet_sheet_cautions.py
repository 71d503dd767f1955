"""Life safety and the other cautions of a closet sheet: the worst first."""

from __future__ import annotations

import datetime as dt

import pytest

from sites.models import Basis, Closet, DeviceModel
from sites.services.closets import closet_alter
from sites.services.power import supply_alter
from tests import factories
from tests.halls import Hall
from tests.zones.sheets.sheets import LATER, sheet_of
from zones.limits.cautions import Caution
from zones.models import Zone
from zones.recheck.batch import check
from zones.recheck.recheck_queue import mark_sites
from zones.services.zones import zone_alter

pytestmark = pytest.mark.django_db


def test_life_safety_that_is_not_recorded(hall: Hall) -> None:
    found = sheet_of(hall.closet).life_safety
    assert found.answer == "unknown"
    assert found.sentence == (
        "Life safety not recorded for zones Gangway and Ticket hall. Ask before you switch anything off."
    )


def test_the_worst_comes_first(hall: Hall) -> None:
    zone_alter(factories.change(hall.site), zone=hall.gangway, life_safety=Zone.LifeSafety.YES)
    sheet = sheet_of(hall.closet)
    assert sheet.life_safety.answer == "yes"
    assert sheet.life_safety.sentence.startswith("Zone Gangway serves life safety. Agree a substitute ")
    assert sheet.summary.startswith(sheet.life_safety.sentence)
    assert [one.zone.name for one in sheet.zones] == ["Gangway", "Ticket hall"]


@pytest.mark.parametrize("said", [Zone.LifeSafety.YES, Zone.LifeSafety.UNKNOWN])
def test_the_caution_of_life_safety_stands_before_all_others(hall: Hall, said: Zone.LifeSafety) -> None:
    change = factories.change(hall.site)
    zone_alter(change, zone=hall.gangway, life_safety=said)
    zone_alter(change, zone=hall.zone, life_safety=Zone.LifeSafety.NO)
    closet_alter(change, closet=hall.closet, dangers="chlorine", ladder_m=4.0)
    factories.make_amplifier(hall.closet)
    cautions = [one.caution for one in sheet_of(hall.closet).cautions]
    assert cautions[0] is Caution.LIFE_SAFETY
    assert {Caution.GAS, Caution.DANGER, Caution.LINE_VOLTAGE, Caution.DISCONNECT, Caution.LADDER} <= {
        *cautions
    }
    zone_alter(change, zone=hall.gangway, life_safety=Zone.LifeSafety.NO)
    assert Caution.LIFE_SAFETY not in [one.caution for one in sheet_of(hall.closet).cautions]


def test_a_limit_that_is_near_brings_its_caution_without_a_finding(hall: Hall) -> None:
    sheet = sheet_of(hall.closet)
    assert sheet.findings == ()
    assert Caution.WIRING_CLASSES in [one.caution for one in sheet.cautions]
    larger = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=10.0, class_2_marked=True)
    supply_alter(factories.change(hall.site, happened_on=LATER), supply=hall.supply, model=larger)
    assert Caution.WIRING_CLASSES not in [one.caution for one in sheet_of(hall.closet, LATER).cautions]


def test_a_finding_brings_its_caution_where_every_figure_is_within_again(hall: Hall) -> None:
    """The record was mended a moment ago, and the recheck has not come by yet."""
    factories.make_points(hall.run, 12, hall.speaker, length_m=1.0, current_basis=Basis.MEASURED)
    mark_sites([hall.site.pk], reason="asked for")
    check([hall.site.pk])
    larger = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=10.0, class_2_marked=True)
    supply_alter(factories.change(hall.site, happened_on=LATER), supply=hall.supply, model=larger)
    sheet = sheet_of(hall.closet, dt.datetime.now(dt.UTC).date())
    assert "supply_current" in [one.finding.code for one in sheet.findings]
    assert Caution.WIRING_CLASSES in [one.caution for one in sheet.cautions]


def test_a_no_is_said_and_does_not_stand_in_front(hall: Hall) -> None:
    for zone in (hall.zone, hall.gangway):
        zone_alter(factories.change(hall.site), zone=zone, life_safety=Zone.LifeSafety.NO)
    sheet = sheet_of(hall.closet)
    assert (sheet.life_safety.answer, sheet.life_safety.zones) == ("no", ())
    assert sheet.life_safety.sentence == "No zone that is fed from here serves life safety."
    assert sheet.summary.startswith(f"Closet {hall.closet.name} of {hall.site.name}")


def test_a_bare_closet_says_that_it_knows_nothing(closet: Closet) -> None:
    sheet = sheet_of(closet)
    assert (sheet.life_safety.answer, sheet.zones, sheet.findings, sheet.cautions) == ("unknown", (), (), ())
    assert sheet.life_safety.sentence == "No zone is recorded as fed from here."
    assert "Nothing that is recorded here feeds a zone." in sheet.summary
