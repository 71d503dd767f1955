"""The sheet of a closet: what it says, in which order, as of which day, and what it costs."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from sites.models import Basis, Closet, Contact, DeviceModel, Secret, Site, Switch
from sites.models.access import User
from sites.services.closets import closet_alter, contact_add
from sites.services.endpoints import endpoint_alter, endpoint_move
from sites.services.power import supply_alter
from sites.services.secrets import secret_write
from sites.services.sites import site_alter
from sites.services.switches import switch_alter
from tests import factories
from tests.halls import Hall
from zones.electrical.verdicts import Verdict
from zones.limits.cautions import Caution
from zones.models import Run, Zone
from zones.recheck.batch import check, recheck
from zones.recheck.recheck_queue import mark_sites
from zones.services.landings import PairUse, clip_pull, landing_add
from zones.services.points import point_alter
from zones.services.zones import zone_alter, zone_endpoint_add
from zones.visits.closet_sheet import ClosetSheet, closet_sheet
from zones.visits.equipment import PortHere

pytestmark = pytest.mark.django_db
BUILT = factories.BUILT_ON
LATER = BUILT + dt.timedelta(days=100)


def sheet_of(closet: Closet, day: dt.date = BUILT) -> ClosetSheet:
    return closet_sheet(Closet.objects.select_related("site__customer").get(pk=closet.pk), day)


# --- life safety first --------------------------------------------------------------------------------------


def test_life_safety_that_is_not_recorded(hall: Hall) -> None:
    found = sheet_of(hall.closet).life_safety
    assert found.answer == "unknown"
    assert found.sentence == (
        "Life safety not recorded for zones Gangway and Ticket hall. Ask before you switch anything off."
    )


def test_the_gravest_comes_first(hall: Hall) -> None:
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


# --- the way in ---------------------------------------------------------------------------------------------


def test_how_it_is_reached(hall: Hall) -> None:
    change = factories.change(hall.site)
    site_alter(change, address="1 Quay Road", city="Merrow", dangers="moving vehicles", induction="quay talk")
    closet_alter(
        change,
        closet=hall.closet,
        floor="0",
        room="behind window 6",
        opened_by="Duty manager",
        opening_hours="05:30-23:00",
        key_location="Key 14 at the ticket office",
        dangers="low beam",
    )
    for role, name, closet in (
        (Contact.Role.SITE, "Ada of the site", None),
        (Contact.Role.SITE, "Bea of the closet", hall.closet),
        (Contact.Role.NETWORK, "Cleo", None),
    ):
        contact_add(change, role=role, name=name, closet=closet)
    other = factories.make_closet(hall.site)
    contact_add(change, role=Contact.Role.SITE, name="of another closet", closet=other)
    sheet = sheet_of(hall.closet)
    reach = sheet.reach
    assert reach.address == "1 Quay Road, Merrow"
    assert reach.place == "Ticket hall, floor 0, behind window 6"
    assert reach.dangers == ("moving vehicles", "low beam")
    assert reach.induction == ("quay talk",)
    assert [(one.name, one.of_closet) for one in reach.contacts.site] == [
        ("Bea of the closet", True),
        ("Ada of the site", False),
    ]
    assert [one.name for one in reach.contacts.network] == ["Cleo"]
    assert "Opened by: Duty manager (05:30-23:00). Key: Key 14 at the ticket office." in sheet.summary
    assert reach.unknown == ("No number to call out of hours is recorded.",)


def test_codes_are_counted_and_never_shown(hall: Hall, manager: User) -> None:
    write: dict[str, Any] = {"user": manager, "site": hall.site, "code": "4711-0815"}
    secret_write(**write, label="street door", kind=Secret.Kind.DOOR)
    secret_write(**write, label="panel", kind=Secret.Kind.ALARM, closet=hall.closet)
    other = factories.make_closet(hall.site)
    secret_write(**write, label="elsewhere", kind=Secret.Kind.DOOR, closet=other)
    codes = sheet_of(hall.closet).reach.codes
    assert (codes.door, codes.alarm, codes.other) == (1, 1, 0)
    assert codes.sentence.startswith("1 door code and 1 alarm code are kept for here. None is ever written")
    assert "one at a time, with a reason" in codes.sentence


def test_what_is_not_known_of_the_way_in_is_said(closet: Closet) -> None:
    unknown = sheet_of(closet).unknown
    for sentence in (
        "The address of the site is not recorded.",
        "Who opens it is not recorded.",
        "The location of the key is not recorded.",
        "No number to call out of hours is recorded.",
    ):
        assert sentence in unknown


@pytest.mark.parametrize(
    ("first_day", "end_day", "covered", "said"),
    [
        (BUILT, None, True, "Under contract M 7: respond within 8 hours."),
        (
            BUILT,
            BUILT + dt.timedelta(days=1),
            True,
            f"Under contract M 7: respond within 8 hours. Covered until {BUILT}.",
        ),
        (
            BUILT - dt.timedelta(days=30),
            BUILT,
            False,
            f"Not under contract on {BUILT}: M 7 covered it until {BUILT - dt.timedelta(days=1)}.",
        ),
        (LATER, None, False, f"Not under contract on {BUILT}: M 7 covers it from {LATER} on."),
    ],
)
def test_the_contract_on_the_day(
    closet: Closet, first_day: dt.date, end_day: dt.date | None, covered: bool, said: str
) -> None:
    contract = factories.make_contract(closet.site.customer, reference="M 7")
    factories.make_coverage(contract, closet.site, first_day, end_day)
    cover = sheet_of(closet).cover
    assert (cover.covered, cover.sentence, cover.contract) == (covered, said, contract)


def test_a_site_that_no_contract_ever_covered(closet: Closet) -> None:
    assert sheet_of(closet).cover.sentence == f"Not under contract on {BUILT}."


# --- what stands and lies there -----------------------------------------------------------------------------


def test_what_stands_there(hall: Hall) -> None:
    change = factories.change(hall.site)
    endpoint_alter(
        change,
        endpoint=hall.gateway,
        address="10.20.4.11",
        firmware="4.2.1",
        configuration_backup="office, folder PA",
    )
    switch_alter(change, switch=hall.switch, owner=Switch.Owner.CUSTOMER)
    supply_alter(
        change, supply=hall.supply, outlet="Wall 3", breaker="T 17", battery_installed_on=dt.date(2023, 5, 1)
    )
    factories.make_amplifier(hall.closet, name="A 1")
    found = sheet_of(hall.closet).equipment
    (switch,), (gateway,), (supply,), (amplifier,) = (
        found.switches,
        found.endpoints,
        found.supplies,
        found.amplifiers,
    )
    assert (switch.owner, switch.touch) == ("customer: do not touch", False)
    port = hall.switch.ports.get(number=3)
    assert switch.ports == (PortHere(port.pk, 3, hall.gateway.pk, "GW 1"),)
    assert (gateway.address, gateway.firmware) == ("10.20.4.11", "4.2.1")
    assert gateway.configuration_backup == "office, folder PA"
    assert (gateway.powered_by, gateway.outputs) == ("PoE from port 3 of SW 1", (1, 2))
    assert (supply.outlet, supply.breaker, supply.rated_current_a) == ("Wall 3", "T 17", 2.0)
    assert supply.battery_installed_on == dt.date(2023, 5, 1)
    assert (amplifier.line, amplifier.line_voltage_v) == ("70.7 V line", 70.7)


def test_a_device_elsewhere_on_a_switch_here(hall: Hall) -> None:
    """It, and the zone it is heard in, depend on this closet."""
    speaker = factories.make_gateway(
        factories.make_closet(hall.site), factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER), name="NS 1"
    )
    change = factories.change(hall.site)
    endpoint_move(change, endpoint=speaker, port=hall.switch.ports.get(number=4))
    quay = factories.make_zone(hall.site, name="Quay")
    zone_endpoint_add(change, zone=quay, endpoint=speaker)
    sheet = sheet_of(hall.closet)
    assert [port.endpoint for port in sheet.equipment.switches[0].ports] == ["GW 1", "NS 1"]
    assert [one.name for one in sheet.equipment.endpoints] == ["GW 1"]
    assert "Quay" in [one.zone.name for one in sheet.zones]


def test_rows_of_a_block(hall: Hall) -> None:
    clip_pull(factories.change(hall.site, happened_on=LATER), block=hall.block, rows=[3, 9])
    (block,) = sheet_of(hall.closet, LATER).wiring.blocks
    rows = {row.number: row for row in block.rows}
    assert sorted(rows) == [*range(1, 10)]
    assert [(row.number, row.clip) for row in block.rows if row.clip == "out"] == [(3, "out"), (9, "out")]
    equipment, field = rows[4].conductors
    assert (equipment.side, equipment.of, equipment.zone) == ("equipment", "supply PS 1", "")
    assert (field.side, field.of, field.zone) == ("field", "run R1", "Ticket hall")
    # ANSI/ICEA colour code: the second pair is white and orange
    assert (field.pair, field.colour, field.carries) == (2, "orange-white", "DC negative")
    assert rows[9].conductors == ()
    assert all(row.clip == "in" for row in sheet_of(hall.closet).wiring.blocks[0].rows)


def test_how_to_disconnect_each_run(hall: Hall) -> None:
    runs = {run.name: run for run in sheet_of(hall.closet).wiring.runs}
    assert runs["R1"].isolation.sentence == f"Pull clips 1 to 4 on {hall.block.name}."
    assert runs["R2"].isolation.sentence == f"Pull clips 5 to 8 on {hall.block.name}."
    assert all(run.isolation.complete for run in runs.values())
    assert (runs["R1"].zone, runs["R1"].fed_by) == ("Ticket hall", "output 1 of GW 1 and supply PS 1")


def test_two_wires_on_one_clip_are_said_with_the_row_and_with_both_runs(hall: Hall) -> None:
    landing_add(
        factories.change(hall.site),
        block=hall.block,
        row=1,
        pair=3,
        carries=PairUse.AUDIO,
        run=hall.gangway_run,
    )
    wiring = sheet_of(hall.closet).wiring
    assert wiring.blocks[0].rows[0].remark == "2 conductors on the field side; 1 allowed"
    runs = {run.name: run.isolation.sentence for run in wiring.runs}
    assert runs["R1"].endswith("This disconnects run R2 as well.")
    assert runs["R2"].endswith("This disconnects run R1 as well.")


def test_a_supply_along_the_run_is_named(hall: Hall) -> None:
    far = factories.make_supply(factories.make_closet(hall.site, name="IDF-2"), name="PS 2")
    point_alter(factories.change(hall.site), point=hall.points[5], feed_supply=far, negative_cut=True)
    run = next(run for run in sheet_of(hall.closet).wiring.runs if run.name == "R1")
    assert "It stays fed by supply PS 2 (in closet IDF-2) at point 6" in run.isolation.sentence
    assert not run.isolation.complete


# --- what it carries ----------------------------------------------------------------------------------------


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


def test_what_cannot_be_computed_is_said(hall: Hall) -> None:
    second = factories.make_supply(hall.closet, name="PS 2")
    point_alter(factories.change(hall.site), point=hall.points[5], feed_supply=second)
    assert any(
        sentence.startswith("Run R1 cannot be computed: two supplies feed")
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
    assert f"findings are open, the gravest: {sheet.findings[0].words.sentence}" in sheet.summary
    # They were not known before the recheck found them
    assert sheet_of(hall.closet, today - dt.timedelta(days=1)).findings == ()
    bare = factories.make_closet(hall.site, name="empty")
    assert sheet_of(bare, today).findings == ()


# --- what was changed ---------------------------------------------------------------------------------------


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
    assert changes[0].what == ("Bridging clips are pulled: the field cable on these rows is isolated.",)
    assert (changes[0].actor, changes[0].job_reference) == (factories.INTEGRATOR, "LS-9")
    assert changes[0].happened_on == LATER + dt.timedelta(days=6)
    before = sheet_of(hall.closet, LATER + dt.timedelta(days=1)).changes
    assert [one.reason for one in before[:2]] == ["visit 1", "visit 0"]


# --- as of a day, and what it costs -------------------------------------------------------------------------


def test_it_is_as_it_was_on_the_day(hall: Hall) -> None:
    larger = factories.make_model(DeviceModel.Kind.SUPPLY, name="4 A supply", rated_current_a=4.0)
    supply_alter(factories.change(hall.site, happened_on=LATER), supply=hall.supply, model=larger)
    assert sheet_of(hall.closet, LATER).equipment.supplies[0].rated_current_a == 4.0
    assert sheet_of(hall.closet, LATER - dt.timedelta(days=1)).equipment.supplies[0].rated_current_a == 2.0


def test_a_full_closet_costs_as_many_queries_as_a_small_one(hall: Hall, site: Site) -> None:
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


def test_a_run_that_leaves_elsewhere_and_lies_here_makes_its_zone_depend_on_this_closet(hall: Hall) -> None:
    here = factories.make_closet(hall.site, name="IDF-2")
    block = factories.make_block(here, name="X")
    assert sheet_of(here).zones == ()
    landing_add(factories.change(hall.site), block=block, row=1, pair=2, carries=PairUse.DC, run=hall.run)
    sheet = sheet_of(here)
    assert [one.zone for one in sheet.zones] == [hall.zone]
    assert sheet.life_safety.zones == (hall.zone,)
    (run,) = sheet.wiring.runs
    assert run.isolation.sentence == (
        f"Pull clips 1 and 2 on X. Pull clips 1 to 4 on {hall.block.name} (in closet {hall.closet.name})."
    )


def test_a_line_driven_by_a_network_amplifier_is_switched_off_first(hall: Hall) -> None:
    """Its voltage is not recorded with the output, so it is taken to be one that shocks."""
    model = factories.make_model(DeviceModel.Kind.NETWORK_AMPLIFIER, output_count=1)
    driver = factories.make_gateway(hall.closet, model, name="NA 1")
    run = factories.make_run(
        hall.block,
        kind=Run.Kind.CONSTANT_VOLTAGE,
        name="L1",
        zone=hall.zone,
        output=driver.outputs.get(),
    )
    landing_add(factories.change(hall.site), block=hall.block, row=11, pair=1, carries=PairUse.LINE, run=run)
    sheet = sheet_of(hall.closet)
    found = next(one for one in sheet.wiring.runs if one.name == "L1")
    assert found.fed_by == "output 1 of NA 1"
    assert found.isolation.sentence == (
        "First switch off output 1 of NA 1, which drives a line whose voltage is not recorded, and lock it "
        f"out. Pull clips 11 and 12 on {hall.block.name}."
    )
    assert "line_voltage" in [one.caution for one in sheet.cautions]
