"""What a site leaves open, and the values that are missing, in words."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from sites.changes.steps import first_step_after
from sites.models import Basis, Block, Closet, DeviceModel, Site, Supply
from sites.services.endpoints import endpoint_alter, endpoint_move
from sites.services.power import amplifier_add, supply_add
from sites.services.switches import port_alter, switch_alter
from tests import factories
from tests.halls import Hall
from zones.electrical.subjects import SubjectKind
from zones.models import PointFacts, Run, Zone, ZoneFacts
from zones.services.paging_sets import paging_set_add, paging_set_end
from zones.services.points import point_alter, point_append
from zones.services.zones import zone_alter
from zones.sheets.survey import Question, site_survey
from zones.sheets.unknowns import SiteFacts, unknown_of

pytestmark = pytest.mark.django_db
BUILT = factories.BUILT_ON


@pytest.fixture
def unknown_supply(closet: Closet) -> Supply:
    return supply_add(factories.change(closet.site), closet=closet, name="PS 9").result


@pytest.fixture
def dim_run(block: Block, unknown_supply: Supply) -> Run:
    """An untraced run: on an unknown supply, no fuse known."""
    zone = factories.make_zone(block.site, name="Loft")
    return factories.make_run(block, name="R7", zone=zone, supply=unknown_supply)


def append(run: Run, name: str, **said: Any) -> None:
    after = run.points.order_by("rank").last()
    point_append(factories.change(run.site), run=run, after=after, name=name, **said)


def questions(site: Site, day: dt.date = BUILT) -> dict[str, Question]:
    return {one.figure.limit.code: one for one in site_survey(site.pk, day).questions}


def test_a_site_that_is_all_known_leaves_nothing_open(site: Site) -> None:
    found = site_survey(site.pk, BUILT)
    assert (found.questions, found.problems) == ((), ())
    assert found.summary == "Nothing is open: the record is enough to judge every figure."


def test_where_all_is_recorded_only_a_measurement_settles_it(hall: Hall) -> None:
    question = questions(hall.site)["supply_current"]
    assert question.missing == ()
    assert question.sentence.endswith("only a measurement can settle it.")


def test_what_is_not_recorded_is_named_with_where_it_is(site: Site, dim_run: Run) -> None:
    append(dim_run, "A")
    append(dim_run, "B", device_kind=PointFacts.DeviceKind.HORN)
    found = questions(site)
    assert found["supply_current"].missing == (
        "which model supply PS 9 is",
        "the current of 2 speakers on run R7 (points A and B)",
    )
    assert set(found["run_voltage"].missing) == {
        "which model supply PS 9 is",
        "the lowest voltage of 2 speakers on run R7 (points A and B)",
        "the current of 2 speakers on run R7 (points A and B)",
        "the length of 2 segments on run R7 (to points A and B)",
        "the cable of 2 segments on run R7 (to points A and B)",
        "the number of pairs of 2 segments on run R7 (to points A and B)",
    }
    said = found["supply_current"].sentence
    assert "Not recorded, or only estimated: which model supply PS 9 is; the" in said


def test_many_are_counted_and_a_few_named(site: Site, dim_run: Run) -> None:
    for name in "ABCDE":
        append(dim_run, name)
    assert (
        "the current of 5 speakers on run R7 (points A, B, C and 2 more)"
        in questions(site)["supply_current"].missing
    )


def test_a_guess_is_called_one(site: Site, dim_run: Run) -> None:
    model = factories.make_model(DeviceModel.Kind.WALL_SPEAKER)
    append(dim_run, "A", model=model, current_basis=Basis.GUESSED, length_m=9.0, length_basis=Basis.DRAWING)
    missing = questions(site)["run_voltage"].missing
    assert "the current of 1 speaker on run R7 (point A), only guessed" in missing
    assert "the length of 1 segment on run R7 (to point A), only from a drawing" in missing


def test_uncounted_devices(site: Site, dim_run: Run) -> None:
    append(dim_run, "rest", kind=PointFacts.Kind.UNCOUNTED_GROUP, count_low=4, count_likely=6, count_high=9)
    assert (
        "how many devices there are at point rest of run R7 (about 6, 4 to 9)"
        in questions(site)["supply_current"].missing
    )


def test_a_group_that_was_counted_is_not_asked_about(site: Site, dim_run: Run) -> None:
    append(dim_run, "rest", kind=PointFacts.Kind.UNCOUNTED_GROUP, count_low=6, count_likely=6, count_high=6)
    missing = questions(site)["supply_current"].missing
    assert any("speaker" in line for line in missing), "their current is not recorded"
    assert not any("how many" in line for line in missing)


def test_a_rating_that_the_catalogue_does_not_state(site: Site, closet: Closet, block: Block) -> None:
    model = factories.make_model(DeviceModel.Kind.SUPPLY, name="PSU-X", rated_current_a=None)
    supply = factories.make_supply(closet, model, name="PS 3")
    run = factories.make_run(block, zone=factories.make_zone(site), supply=supply)
    factories.make_points(run, 1, factories.make_model(DeviceModel.Kind.HORN))
    assert questions(site)["supply_current"].missing == (
        "the rated current of PSU-X (supply PS 3)",
        f"the current of 1 speaker on run {run.name} (point 1), taken as half of full output",
    )


def test_lines_depend_on_taps(site: Site, closet: Closet, block: Block) -> None:
    amplifier = amplifier_add(factories.change(site), closet=closet, name="A 9", line_voltage_v=70.7).result
    run = factories.make_run(
        block,
        kind=Run.Kind.CONSTANT_VOLTAGE,
        name="L1",
        zone=factories.make_zone(site),
        amplifier=amplifier,
    )
    append(run, "A")
    assert questions(site)["amplifier_load"].missing == (
        "which model amplifier A 9 is",
        "the tap of 1 speaker on run L1 (point A)",
    )


def test_a_line_of_taps_depends_on_its_voltage_and_on_what_its_amplifier_can_drive(
    site: Site, closet: Closet, block: Block
) -> None:
    """Z = V²/P of a tap; the lowest load is V²/P of the rated power."""
    model = factories.make_model(DeviceModel.Kind.AMPLIFIER, name="AMP-X", rated_power_w=None)
    amplifier = amplifier_add(factories.change(site), closet=closet, name="A 9", model=model).result
    line: dict[str, Any] = {"kind": Run.Kind.CONSTANT_VOLTAGE, "zone": factories.make_zone(site)}
    run = factories.make_run(block, name="L1", amplifier=amplifier, **line)
    append(run, "A", tap_power_w=5.0, tap_basis=Basis.MARKED, length_m=9.0, length_basis=Basis.MEASURED)
    found = questions(site)
    assert found["line_impedance"].missing == (
        "the line voltage of amplifier A 9",
        "the rated power of AMP-X (amplifier A 9)",
    )
    assert found["line_loss"].missing[0] == "the line voltage of amplifier A 9"
    loose = factories.make_run(block, name="L2", **line)
    append(loose, "A", tap_power_w=5.0, tap_basis=Basis.MARKED)
    assert unknown(site, "line_loss", SubjectKind.RUN, loose.pk)[0] == "which amplifier drives run L2"


def test_a_low_impedance_line_depends_on_its_speakers_and_on_the_lowest_load(
    site: Site, closet: Closet, block: Block
) -> None:
    model = factories.make_model(DeviceModel.Kind.AMPLIFIER, name="AMP-X", minimum_impedance_ohm=None)
    amplifier = amplifier_add(factories.change(site), closet=closet, name="A 9", model=model).result
    zone = factories.make_zone(site)
    run = factories.make_run(block, name="L1", kind=Run.Kind.LOW_IMPEDANCE, zone=zone, amplifier=amplifier)
    append(run, "A", length_m=9.0, length_basis=Basis.MEASURED)
    found = questions(site)
    speaker = "the nominal impedance of 1 speaker on run L1 (point A)"
    assert found["line_impedance"].missing == (
        "the minimum impedance of AMP-X (amplifier A 9)",
        speaker,
    )
    assert found["line_loss"].missing[0] == speaker


def test_an_audio_level_depends_on_the_impedances_at_both_ends(
    site: Site, closet: Closet, block: Block
) -> None:
    model = factories.make_model(DeviceModel.Kind.GATEWAY, name="GW-X", output_impedance_ohm=None)
    gateway = factories.make_gateway(closet, model, name="G 9")
    run = factories.make_run(
        block,
        name="R1",
        zone=factories.make_zone(site),
        output=gateway.outputs.first(),
        supply=factories.make_supply(closet),
    )
    append(run, "A", length_m=9.0, length_basis=Basis.MEASURED)
    assert questions(site)["audio_level"].missing[:2] == (
        "the output impedance of GW-X (endpoint G 9)",
        "the input impedance of 1 speaker on run R1 (point A)",
    )


def test_the_loss_of_a_line_depends_on_the_pairs_of_its_cable(site: Site, block: Block) -> None:
    run = factories.make_run(
        block, kind=Run.Kind.CONSTANT_VOLTAGE, name="L1", amplifier=factories.make_amplifier(block.closet)
    )
    append(run, "A", tap_power_w=5.0, tap_basis=Basis.MARKED, length_m=9.0, length_basis=Basis.MEASURED)
    assert unknown(site, "line_loss", SubjectKind.RUN, run.pk) == (
        "the cable of 1 segment on run L1 (to point A)",
        "the number of pairs of 1 segment on run L1 (to point A)",
    )


def test_power_depends_on_the_switch_and_on_the_endpoints_that_it_powers(site: Site, closet: Closet) -> None:
    model = factories.make_model(DeviceModel.Kind.SWITCH, name="SW-X", power_supplies_max=2)
    switch = factories.make_switch(closet, model, name="SW 9")
    device = factories.make_model(DeviceModel.Kind.GATEWAY, name="GW-X", poe_class=None, paging_poe_w=None)
    gateway = factories.make_gateway(closet, device, name="GW 9")
    factories.make_gateway(closet, device, name="powered elsewhere")
    port = switch.ports.get(number=1)
    endpoint_move(factories.change(site), endpoint=gateway, port=port)
    assert unknown(site, "poe_one_supply_lost", SubjectKind.SWITCH, switch.pk) == (
        "the PoE budget with one supply lost of SW-X (switch SW 9)",
        "the number of power supplies of switch SW 9",
        "the PoE class of GW-X (endpoint GW 9)",
    )
    assert unknown(site, "port_power", SubjectKind.PORT, port.pk) == (
        "the PoE class and the power while paging of GW-X (endpoint GW 9)",
        "the cable length of endpoint GW 9",
    )
    endpoint_alter(
        factories.change(site), endpoint=gateway, cable_length_m=40.0, cable_length_basis=Basis.GUESSED
    )
    assert unknown(site, "endpoint_cable", SubjectKind.ENDPOINT, gateway.pk) == (
        "the cable length of endpoint GW 9, only guessed",
    )


@pytest.mark.parametrize(
    ("rated", "fitted", "missing"),
    [
        ({"poe_budget_w": None}, 2, ("the PoE budget of SW-X (switch SW 9)",)),
        ({}, 1, ("the PoE budget with one supply lost of SW-X (switch SW 9)",)),
        ({}, None, ("the number of power supplies of switch SW 9",)),
        ({"power_supplies_max": None}, 2, ("the full number of power supplies of SW-X (switch SW 9)",)),
        ({"power_supplies_max": 3}, 1, ("the PoE budget of switch SW 9 with 1 power supply",)),
    ],
)
def test_a_budget_depends_on_the_power_supplies_fitted(
    site: Site, closet: Closet, rated: dict[str, Any], fitted: int | None, missing: tuple[str, ...]
) -> None:
    said = {"power_supplies_max": 2, "poe_budget_w": 370.0, "poe_budget_one_lost_w": None} | rated
    model = factories.make_model(DeviceModel.Kind.SWITCH, name="SW-X", **said)
    switch = factories.make_switch(closet, model, name="SW 9")
    switch_alter(factories.change(site), switch=switch, power_supply_count=fitted)
    port_alter(factories.change(site), port=switch.ports.get(number=1), other_load="camera")
    question = questions(site)["poe_allocated"]
    assert question.missing == missing


def test_the_type_of_a_port_is_asked_where_its_device_needs_more_than_15_w(
    site: Site, closet: Closet
) -> None:
    model = factories.make_model(DeviceModel.Kind.SWITCH, name="SW-X", port_type=None)
    switch = factories.make_switch(closet, model, name="SW 9")
    for number, poe_class in ((1, 3), (2, 4)):
        device = factories.make_model(
            DeviceModel.Kind.GATEWAY, name=f"class {poe_class}", poe_class=poe_class
        )
        gateway = factories.make_gateway(closet, device, name=f"GW {number}")
        endpoint_move(factories.change(site), endpoint=gateway, port=switch.ports.get(number=number))
    question = questions(site)["port_type"]
    assert question.sentence == (
        "Cannot tell: port type of port 2 of SW 9. What is connected to port 2 of SW 9 needs 30 W; by port "
        "type, limit not recorded: rating missing. Not recorded, or only estimated: the type of port 2 of "
        "switch SW 9, or of the ports of its model."
    )
    port_alter(factories.change(site), port=switch.ports.get(number=2), port_type=2)
    assert "port_type" not in questions(site)


def test_more_power_by_lldp_than_the_class_may_draw_is_asked_about(site: Site, closet: Closet) -> None:
    """IEEE 802.3: class 3 may draw 12.95 W."""
    device = factories.make_model(DeviceModel.Kind.GATEWAY, poe_class=3)
    gateway = factories.make_gateway(closet, device, name="GW 9")
    port = factories.make_switch(closet).ports.get(number=1)
    endpoint_move(factories.change(site), endpoint=gateway, port=port)
    endpoint_alter(factories.change(site), endpoint=gateway, negotiated_power_w=12.9)
    assert site_survey(site.pk, BUILT).to_check == ()
    endpoint_alter(factories.change(site), endpoint=gateway, negotiated_power_w=14.0)
    survey = site_survey(site.pk, BUILT)
    assert survey.to_check == (
        "Endpoint GW 9: 14 W by LLDP, 12.95 W by class. Counted with 12.95 W. Check its class and its power.",
    )
    assert survey.summary.endswith("1 recorded value to check: another contradicts it.")
    endpoint_alter(factories.change(site), endpoint=gateway, negotiated_class=4)
    assert site_survey(site.pk, BUILT).to_check == ()


def test_a_run_without_a_recorded_supply_is_asked_about(site: Site, block: Block) -> None:
    run = factories.make_run(block, name="R7", zone=factories.make_zone(site))
    factories.make_points(run, 3, factories.make_model(DeviceModel.Kind.WALL_SPEAKER))
    assert "which supply feeds run R7" in questions(site)["run_voltage"].missing
    assert "no_feed" not in questions(site)
    point_alter(factories.change(site), point=run.points.get(name="2"), negative_cut=True)
    assert questions(site)["no_feed"].missing == ("which supply feeds run R7",)
    supply = factories.make_supply(block.closet)
    point_alter(factories.change(site), point=run.points.get(name="3"), feed_supply=supply)
    assert "no_feed" not in questions(site)
    assert "which supply feeds run R7 at its block" in questions(site)["run_voltage"].missing


def test_what_two_supplies_carry_together_is_asked_about(hall: Hall) -> None:
    other = factories.make_supply(hall.closet, name="PS 6")
    point_alter(factories.change(hall.site), point=hall.points[20], feed_supply=other)
    what = "what each supply carries of run R1: several feed one section"
    asked = {
        (one.figure.limit.code, one.figure.subject): one.missing
        for one in site_survey(hall.site.pk, BUILT).questions
    }
    for key in (
        ("run_voltage", "run R1"),
        ("run_voltage", "run R2"),  # pulled down by what the supply carries of R1
        ("conductor_current", "run R1"),
        ("supply_current", "supply PS 1"),
        ("supply_current", "supply PS 6"),
    ):
        assert what in asked[key]
    point_alter(factories.change(hall.site), point=hall.points[10], negative_cut=True)
    assert "run_voltage" not in questions(hall.site)


def settle_life_safety(*zones: Zone) -> None:
    for zone in zones:
        zone_alter(factories.change(zone.site), zone=zone, life_safety=Zone.LifeSafety.NO)


def test_a_zone_in_no_paging_set_is_asked_about(hall: Hall) -> None:
    settle_life_safety(hall.zone, hall.gangway)
    assert site_survey(hall.site.pk, BUILT).to_ask == ()
    first = paging_set_add(factories.change(hall.site), name="halls", zones=[hall.zone]).result
    survey = site_survey(hall.site.pk, BUILT)
    assert survey.to_ask == (
        "Zone Gangway is in no paging set and counts as paging alone. Which zones page together with it?",
    )
    assert survey.summary.endswith("1 question for people at the site.")
    paging_set_add(factories.change(hall.site), name="gangways", zones=[hall.gangway])
    assert site_survey(hall.site.pk, BUILT).to_ask == ()
    later = BUILT + dt.timedelta(days=1)
    paging_set_end(factories.change(hall.site, happened_on=later), paging_set=first)
    assert site_survey(hall.site.pk, later).to_ask == (
        "Zone Ticket hall is in no paging set and counts as paging alone. Which zones page together with it?",
    )
    assert site_survey(hall.site.pk, BUILT).to_ask == ()


def test_one_question_asks_which_zones_carry_tones(hall: Hall) -> None:
    kiosk = factories.make_zone(hall.site, name="Kiosk", signal=ZoneFacts.Signal.UNKNOWN)  # without a run
    settle_life_safety(kiosk, hall.zone, hall.gangway)
    for zone in (hall.zone, hall.gangway):
        zone_alter(factories.change(hall.site), zone=zone, signal=ZoneFacts.Signal.UNKNOWN)
    (question,) = site_survey(hall.site.pk, BUILT).to_ask
    assert question == (
        "Which zones carry tones (chimes, bells, alarm tones, music)? Not recorded for zones Gangway and "
        "Ticket hall: counted as speech."
    )
    zone_alter(factories.change(hall.site), zone=hall.zone, signal=ZoneFacts.Signal.TONES)
    (question,) = site_survey(hall.site.pk, BUILT).to_ask
    assert "Not recorded for zone Gangway: counted as speech." in question
    zone_alter(factories.change(hall.site), zone=hall.gangway, signal=ZoneFacts.Signal.SPEECH)
    assert site_survey(hall.site.pk, BUILT).to_ask == ()


def test_a_cable_counts_for_a_switch_where_power_by_lldp_goes_over_it(site: Site, closet: Closet) -> None:
    model = factories.make_model(DeviceModel.Kind.SWITCH, name="SW-X", poe_budget_w=None)
    switch = factories.make_switch(closet, model, name="SW 9")
    gateway = factories.make_gateway(closet, name="GW 9")
    endpoint_move(factories.change(site), endpoint=gateway, port=switch.ports.get(number=1))
    budget = "the PoE budget of SW-X (switch SW 9)"
    assert unknown(site, "poe_allocated", SubjectKind.SWITCH, switch.pk) == (budget,)
    endpoint_alter(factories.change(site), endpoint=gateway, negotiated_power_w=5.0)
    assert unknown(site, "poe_allocated", SubjectKind.SWITCH, switch.pk) == (
        budget,
        "the cable length of endpoint GW 9",
    )


def unknown(site: Site, code: str, kind: SubjectKind, thing_id: int) -> tuple[str, ...]:
    asked = [(code, (kind, thing_id))]
    facts = SiteFacts(site.pk, first_step_after(BUILT), asked, site.jurisdiction)
    return unknown_of(facts, code, (kind, thing_id))


def test_a_larger_site_costs_as_many_queries(site: Site, dim_run: Run) -> None:
    append(dim_run, "A")
    small = queries_of(site)
    for _ in range(4):
        zone = factories.make_zone(site)
        more = factories.make_run(factories.make_block(dim_run.block.closet), zone=zone)
        for name in "ABC":
            append(more, name)
    assert queries_of(site) == small


def queries_of(site: Site) -> int:
    with CaptureQueriesContext(connection) as queries:
        assert site_survey(site.pk, BUILT).questions
    return len(queries)
