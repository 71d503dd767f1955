"""Worked calculations: each figure again, from its inputs to the limit, as someone with a pencil would."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from sites.models import Basis, DeviceModel
from sites.services.endpoints import endpoint_alter
from sites.services.switches import port_alter, switch_alter
from tests import factories
from tests.halls import Hall
from zones.limits.registry import LIMITS
from zones.loads.explanations import Explanations
from zones.loads.explanations.registry import EXPLAINERS
from zones.loads.explanations.worked import Worked
from zones.loads.site_loads import Load, SiteLoads, site_loads
from zones.models import PointFacts, Reading, Run, Zone
from zones.services.landings import PairUse, landing_add
from zones.services.paging_sets import paging_set_add
from zones.services.points import point_alter, point_append
from zones.services.readings import reading_record
from zones.services.runs import run_alter
from zones.services.zones import zone_alter

pytestmark = pytest.mark.django_db
BUILT = factories.BUILT_ON


@pytest.fixture
def everything(hall: Hall) -> Hall:
    """A site on which every limit of the registry has a figure."""
    change = factories.change(hall.site)
    run_alter(change, run=hall.run, fuse_fitted=True, fuse_rating_a=2.0)
    model = factories.make_model(
        DeviceModel.Kind.SWITCH,
        port_count=8,
        power_supplies_max=2,
        poe_budget_w=130.0,
        poe_budget_one_lost_w=65.0,
    )
    switch_alter(change, switch=hall.switch, model=model, power_supply_count=2)
    port_alter(change, port=hall.switch.ports.get(number=5), other_load="a camera", other_load_class=3)
    endpoint_alter(
        change, endpoint=hall.gateway, cable_length_m=60.0, cable_length_basis=Basis.MEASURED,
        address="10.1.0.5", vlan=30,
    )  # fmt: skip
    speaker = factories.make_gateway(
        hall.closet, factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER), name="NS 1"
    )
    endpoint_alter(change, endpoint=speaker, address="10.1.0.5", vlan=30)
    reading_record(
        change, kind=Reading.Kind.POE_POWER, state=Reading.State.PAGING, value=40.0, taken_on=BUILT,
        switch=hall.switch,
    )  # fmt: skip
    reading_record(
        change, kind=Reading.Kind.RUN_CURRENT, state=Reading.State.PAGING, value=2.9, taken_on=BUILT,
        run=hall.run,
    )  # fmt: skip
    reading_record(
        change, kind=Reading.Kind.END_VOLTAGE, state=Reading.State.PAGING, value=30.0, taken_on=BUILT,
        point=hall.points[-1],
    )  # fmt: skip
    point_append(change, run=hall.run, after=hall.points[-1], model=hall.speaker, zone=hall.gangway)
    amplifier = factories.make_amplifier(hall.closet, name="A 1")
    line = factories.make_run(
        hall.block, kind=Run.Kind.CONSTANT_VOLTAGE, zone=hall.zone, name="L1", amplifier=amplifier
    )
    horn = factories.make_model(DeviceModel.Kind.HORN)
    cable = factories.make_cable(gauge_awg=18, category=False, name="18 AWG")
    factories.make_points(
        line, 3, horn, length_m=50.0, tap_power_w=30.0, tap_basis=Basis.MARKED, cable_type=cable
    )
    twice_fed(hall)
    dead = factories.make_run(hall.block, name="R4", zone=hall.zone, supply=hall.supply)
    speaker = factories.make_model(DeviceModel.Kind.WALL_SPEAKER, maximum_voltage_v=30.0)
    points = factories.make_points(dead, 3, speaker)
    point_alter(change, point=points[1], negative_cut=True)
    landing_add(change, block=hall.block, row=1, pair=1, carries=PairUse.AUDIO, output=hall.output)
    landing_add(change, block=hall.block, row=1, pair=1, carries=PairUse.AUDIO, run=hall.run, reversed=True)
    landing_add(change, block=hall.block, row=2, pair=2, carries=PairUse.DC, run=hall.run)
    return hall


def twice_fed(hall: Hall) -> Run:
    """A run on two supplies of its own, which meet on its one section."""
    run = factories.make_run(
        hall.block, name="R5", zone=hall.zone, supply=factories.make_supply(hall.closet, name="PS 5"),
        fuse_fitted=True, fuse_rating_a=1.0,
    )  # fmt: skip
    points = factories.make_points(run, 3, hall.speaker)
    other = factories.make_supply(hall.closet, name="PS 6")
    point_alter(factories.change(hall.site), point=points[2], feed_supply=other)
    return run


def explained(loads: SiteLoads) -> list[tuple[Load, Worked]]:
    explanations = Explanations(loads)
    return [(load, explanations.of(load)) for load in loads.loads]


def of(hall: Hall, code: str, subject: int, as_of: dt.date = BUILT) -> tuple[Load, Worked]:
    (found,) = (
        pair
        for pair in explained(site_loads(hall.site.pk, as_of))
        if (pair[0].code, pair[0].subject_id) == (code, subject)
    )
    return found


def amounts(worked: Worked) -> dict[str, Any]:
    return {amount.name: amount for amount in (*worked.inputs, *(step.gives for step in worked.steps))}


def test_every_limit_with_a_figure_is_explained() -> None:
    assert set(EXPLAINERS) == {limit.code for limit in LIMITS if limit.rule is not None}


def test_every_figure_is_reached_by_its_calculation(everything: Hall) -> None:
    """What the steps (or, where nothing is to be computed, the inputs or the rows) come to is the figure."""
    found = explained(site_loads(everything.site.pk, BUILT))
    assert {load.code for load, _ in found} == set(EXPLAINERS), "every limit has a figure on this site"
    for load, worked in found:
        assert worked.formula
        if load.likely is None:
            continue
        reached = [amount.likely for amount in amounts(worked).values() if amount.likely is not None]
        reached += [float(len(table.rows)) for table in worked.tables]
        if load.code in ("audio_with_dc", "wire_gauge"):  # a comparison of the inputs
            continue
        assert any(value == pytest.approx(load.likely, rel=1e-9, abs=1e-9) for value in reached), load


def test_the_current_of_a_supply(hall: Hall) -> None:
    _, worked = of(hall, "supply_current", hall.supply.pk)
    (table,) = worked.tables
    assert len(table.rows) == 40
    # by hand: 40 speakers at half of 80 mA; 0.8 of 2 A
    assert table.rows[0]["likely_a"] == pytest.approx(0.040)
    assert sum(float(row["likely_a"] or 0) for row in table.rows) == pytest.approx(1.6)
    assert {row["run"] for row in table.rows} == {"run R1", "run R2"}
    assert table.rows[0]["known"] == "measured, from its model"
    assert [step.text for step in worked.steps] == [
        "Sum of the currents: 1.6 A (low 1.52 A, high 1.68 A).",
        "Current of the supply, its network solved: 1.6 A (low 1.52 A, high 1.68 A).",
        "Limit: 2 A × 0.8 = 1.6 A.",
    ]
    assert "the site lists no paging sets" in " ".join(worked.assumptions)


def test_paging_sets_and_who_is_idle(hall: Hall) -> None:
    change = factories.change(hall.site)
    paging_set_add(change, name="halls", zones=[hall.zone])
    paging_set_add(change, name="gangways", zones=[hall.gangway])
    load, worked = of(hall, "supply_current", hall.supply.pk)
    draws, sets = worked.tables
    # by hand: 30 at 40 mA with 10 idle at 20 mA; 10 at 40 mA with 30 idle
    assert {row["paging"]: row["likely_a"] for row in sets.rows} == {
        "Ticket hall": pytest.approx(1.4),
        "Gangway": pytest.approx(1.0),
    }
    assert load.likely == pytest.approx(1.4)
    assert sum(float(row["likely_a"] or 0) for row in draws.rows) == pytest.approx(1.4)
    assert {row["known"] for row in draws.rows if row["run"] == "run R2"} == {
        "idle; measured, from its model"
    }


def test_a_zone_in_no_set_pages_alone(hall: Hall) -> None:
    """By hand: 30 at 40 mA with 10 idle at 20 mA; the 10 of the gangway alone at 40 mA with 30 idle."""
    paging_set_add(factories.change(hall.site), name="halls", zones=[hall.zone])
    load, worked = of(hall, "supply_current", hall.supply.pk)
    assert load.likely == pytest.approx(1.4)
    assert {row["paging"]: row["likely_a"] for row in worked.tables[1].rows} == {
        "Ticket hall": pytest.approx(1.4),
        "Gangway": pytest.approx(1.0),
    }
    assert worked.assumptions[1] == (
        "Ticket hall pages and the other zones are idle: the worst of the paging sets, and of the zones in "
        "no set, each alone."
    )


def test_what_two_supplies_carry_together_is_not_computed(hall: Hall) -> None:
    run = twice_fed(hall)
    load, worked = of(hall, "supplies_paralleled", run.pk)
    assert load.likely == 2
    assert [(row["lands_at"], row["supply"]) for row in worked.tables[0].rows] == [
        ("block", "supply PS 5"),
        ("3", "supply PS 6"),
    ]
    for code in ("run_voltage", "run_current", "conductor_current"):
        load, worked = of(hall, code, run.pk)
        assert load.likely is None
        assert any(said.startswith("Several supplies feed one section") for said in worked.assumptions)
    _, worked = of(hall, "supply_current", run.facts.latest("step").supply_id)
    assert "Left out: sections that another supply feeds as well." in worked.assumptions


def test_the_highest_voltage_of_a_supply(hall: Hall) -> None:
    """By hand: 24.4 V, or 27.6 V while its battery charges, of 28 V."""
    model = factories.make_model(DeviceModel.Kind.SUPPLY, float_voltage_v=27.6)
    run = factories.make_run(hall.block, name="R6", supply=factories.make_supply(hall.closet, model))
    speaker = factories.make_model(DeviceModel.Kind.WALL_SPEAKER, maximum_voltage_v=28.0)
    factories.make_points(run, 2, speaker)
    load, worked = of(hall, "supply_over_voltage", run.facts.latest("step").supply_id)
    assert (load.likely, load.limit) == (27.6, 28.0)
    assert [step.gives.likely for step in worked.steps] == pytest.approx(
        [24.4 * (1 + model.voltage_tolerance), 27.6]
    )
    assert amounts(worked)["highest voltage that 1 takes"].likely == 28.0


def test_speakers_without_a_feed_are_listed(hall: Hall) -> None:
    change = factories.change(hall.site)
    point_alter(change, point=hall.points[28], negative_cut=True)
    load, worked = of(hall, "no_feed", hall.run.pk)
    assert load.likely == 2
    assert [(row["point"], row["cut_before"]) for row in worked.tables[0].rows] == [
        ("29", "29"),
        ("30", "29"),
    ]


def test_a_zone_of_tones_pages_at_full_output(hall: Hall) -> None:
    """By hand: 30 at 80 mA and, of the gangway at speech, 10 at 40 mA."""
    zone_alter(factories.change(hall.site), zone=hall.zone, signal=Zone.Signal.TONES)
    load, worked = of(hall, "supply_current", hall.supply.pk)
    assert load.likely == pytest.approx(2.8)
    assert sum(float(row["likely_a"] or 0) for row in worked.tables[0].rows) == pytest.approx(2.8)


def test_the_voltage_at_the_last_speaker(hall: Hall) -> None:
    load, worked = of(hall, "run_voltage", hall.run.pk)
    (table,) = worked.tables
    assert [row["to"] for row in table.rows] == [str(number) for number in range(1, 31)]
    # by hand: 24.4 V less 1.6 A through (24.4 − 24.0)/2 Ω, less 30 segments of 1 m: segment k carries
    # (31 − k) × 40 mA over three pairs of 24 AWG, 84.22 mΩ/m at 20 °C (ASTM B258, IEC 60028)
    drop = sum((31 - k) * 0.040 for k in range(1, 31)) * 2 * 0.084219 / 3
    assert sum(float(row["drop_v"] or 0) for row in table.rows) == pytest.approx(drop, rel=1e-4)
    assert load.likely == pytest.approx(24.4 - 1.6 * 0.2 - drop, rel=1e-5)
    found = amounts(worked)
    assert found["voltage at the supply"].likely == pytest.approx(24.08)
    assert found["voltage there"].likely == pytest.approx(load.likely)
    assert found["voltage there"].high == pytest.approx(load.high)
    voltages = [float(row["voltage_v"] or 0) for row in table.rows]
    assert voltages == sorted(voltages, reverse=True)


def test_a_run_that_nothing_feeds(hall: Hall) -> None:
    bare = factories.make_run(hall.block, zone=hall.zone, name="R7")
    factories.make_points(bare, 2, hall.speaker)
    load, worked = of(hall, "run_voltage", bare.pk)
    assert load.likely is None
    assert "no voltage to compute" in worked.assumptions[0]


def test_a_run_without_a_stable_voltage(hall: Hall) -> None:
    """1.2 A over 2 km of three pairs would drop some 134 V."""
    point_alter(
        factories.change(hall.site), point=hall.points[0], length_m=2000.0, length_basis=Basis.MEASURED
    )
    load, worked = of(hall, "run_voltage", hall.run.pk)
    assert load.likely is None
    assert load.estimates.likely.overloaded
    assert "no voltage at which every load" in worked.assumptions[-1]
    assert amounts(worked)["current asked for"].likely == pytest.approx(30 * 0.040)
    assert len(worked.tables[0].rows) == 30
    supply, of_supply = of(hall, "supply_current", hall.supply.pk)
    assert supply.likely == pytest.approx(1.6), "constant currents are their sum at any voltage"
    assert amounts(of_supply)["current drawn"].likely == pytest.approx(1.6)
    assert any("left out" in said for said in of_supply.assumptions)


def test_what_another_speaker_decides_is_a_step_of_its_own(hall: Hall) -> None:
    """Likely the first has the least to spare: 24.0 V of 22. The last one keeps 23.0 V less 2.7 V over a
    guess of 1200 m, and needs 18; over 1.5 of that it has less to spare than the first."""
    picky = factories.make_model(
        DeviceModel.Kind.CEILING_SPEAKER,
        minimum_voltage_v=22.0,
        full_output_current_a=0.08,
        idle_current_a=0.02,
    )
    change = factories.change(hall.site)
    point_alter(change, point=hall.points[0], model=picky)
    point_alter(change, point=hall.points[-1], length_m=1200.0, length_basis=Basis.GUESSED)
    load, worked = of(hall, "run_voltage", hall.run.pk)
    first, last = hall.points[0].pk, hall.points[-1].pk
    assert [(one.detail, one.limit) for one in load.estimates] == [(first, 22.0), (first, 22.0), (last, 18.0)]
    (said,) = (step.text for step in worked.steps if " estimate is decided at " in step.text)
    assert said.startswith("The high estimate is decided at 30: 18.")
    assert said.endswith(" V, minimum 18.0 V.")


def test_one_pair_behind_several(hall: Hall) -> None:
    point_alter(factories.change(hall.site), point=hall.points[10], dc_pairs=1)
    load, worked = of(hall, "conductor_current", hall.run.pk)
    # by hand: 20 speakers of 40 mA are behind the single pair; the first segment has 30 on three
    assert load.likely == pytest.approx(0.8)
    assert load.detail == hall.points[10].pk
    assert amounts(worked)["pairs paralleled"].likely == 1
    assert amounts(worked)["current of one conductor"].likely == pytest.approx(0.8)


def test_taps_and_their_impedance(everything: Hall) -> None:
    amplifier = everything.closet.amplifiers.get()
    load, worked = of(everything, "amplifier_load", amplifier.pk)
    # by hand: three taps of 30 W; 0.8 of 120 W
    assert [load.likely, load.limit] == pytest.approx([90.0, 96.0])
    assert [row["likely_w"] for row in worked.tables[0].rows] == [30.0, 30.0, 30.0]
    load, worked = of(everything, "line_impedance", amplifier.pk)
    assert load.likely == pytest.approx(70.7**2 / 90)
    assert amounts(worked)["limit"].likely == pytest.approx(70.7**2 / 120)


def test_the_audio_level_of_inputs_that_need_different_levels(hall: Hall) -> None:
    """At the output an input that needs 0.9 of 1 V, 20·log10 0.9 = −0.915 dB; far away one of which nothing
    is known that it needs."""
    gateway = factories.make_gateway(
        hall.closet,
        factories.make_model(DeviceModel.Kind.GATEWAY, output_impedance_ohm=600.0, output_level_v=1.0),
    )
    run = factories.make_run(
        hall.block, zone=hall.zone, name="R9", supply=hall.supply, output=gateway.outputs.get(number=1)
    )
    for name, length_m, ratings in (
        ("near", 0.0, {"input_impedance_ohm": 10_000.0, "input_sensitivity_v": 0.9}),
        ("far", 1000.0, {"input_impedance_ohm": 5_000.0}),
    ):
        model = factories.make_model(DeviceModel.Kind.WALL_SPEAKER, **ratings)
        known = {"length_m": length_m, "length_basis": Basis.MEASURED}
        point_append(factories.change(hall.site), run=run, name=name, model=model, **known)
    near = run.points.get(name="near")
    load, worked = of(hall, "audio_level", run.facts.get().output_id)
    assert load.detail == near.pk
    assert worked.steps[-1].text == "Limit at near, likely estimate: 20·log10(0.9 V / 1 V) = -0.9151 dB."
    assert [row["to"] for row in worked.tables[0].rows] == ["near"]


def test_an_audio_level_whose_impedances_are_not_recorded_has_no_number(hall: Hall) -> None:
    model = factories.make_model(DeviceModel.Kind.GATEWAY, output_impedance_ohm=None)
    gateway = factories.make_gateway(hall.closet, model)
    output = gateway.outputs.get(number=1)
    run = factories.make_run(hall.block, zone=hall.zone, name="R9", supply=hall.supply, output=output)
    point_append(factories.change(hall.site), run=run, model=hall.speaker)
    load, worked = of(hall, "audio_level", output.pk)
    assert (load.likely, load.limit, load.detail) == (None, -6.0, None)
    assert amounts(worked)["source impedance of the output"].likely is None
    assert worked.tables == ()
    assert worked.steps[-1].text == "Limit: -6 dB."


def test_each_estimate_of_a_line_loss_shows_the_way_to_its_own_device(hall: Hall) -> None:
    """18 AWG, 0.0419 Ω/m out and back. 150 m, measured, to 60 W, 83.3 Ω: 0.63 dB, at most 0.68 dB. 100 m,
    guessed, to a guessed 50 W, 100 Ω: 0.36 dB, but up to 150 m and 80 W, 0.83 dB."""
    amplifier = factories.make_amplifier(hall.closet, line_voltage_v=70.7)
    line = factories.make_run(
        hall.block, kind=Run.Kind.CONSTANT_VOLTAGE, zone=hall.zone, name="L9", amplifier=amplifier
    )
    horn = factories.make_model(DeviceModel.Kind.HORN)
    cable = factories.make_cable(gauge_awg=18, category=False)
    for name, length_m, tap_w, basis in (
        ("M", 150.0, 60.0, Basis.MEASURED),
        ("G", 100.0, 50.0, Basis.GUESSED),
    ):
        known = {"length_m": length_m, "length_basis": basis, "tap_power_w": tap_w, "tap_basis": basis}
        change = factories.change(hall.site)
        point_append(change, run=line, name=name, model=horn, cable_type=cable, dc_pairs=1, **known)
    load, worked = of(hall, "line_loss", line.pk)
    assert (load.likely, load.high) == pytest.approx((0.63, 0.83), abs=0.01)
    assert [table.title for table in worked.tables] == [
        "Cable to the device that gets least, likely estimate",
        "Cable to the device that gets least, high estimate",
    ]
    assert [[row["to"] for row in table.rows] for table in worked.tables] == [["M"], ["G"]]
    assert worked.tables[1].rows[0]["length_m"] == pytest.approx(100.0 * 1.5)


def test_what_a_switch_allocates(everything: Hall) -> None:
    load, worked = of(everything, "poe_allocated", everything.switch.pk)
    (table,) = worked.tables
    # IEEE 802.3: class 2 is 7 W at the switch, class 3 is 15.4 W
    assert {row["feeds"]: row["allocated_w"] for row in table.rows} == {
        "endpoint GW 1": 7.0,
        "another load": 15.4,
    }
    assert load.likely == pytest.approx(22.4)
    lost, worked = of(everything, "poe_one_supply_lost", everything.switch.pk)
    assert amounts(worked)["PoE budget with the largest power supply lost"].likely == 65.0
    assert lost.limit == 65.0


def test_power_by_lldp_with_the_loss_of_its_cable(hall: Hall) -> None:
    """5 W at a class 2 device over the longest channel: 44 × (44 − √(1936 − 4 × 20 × 5)) / 40 = 5.2890 W
    (IEEE 802.3)."""
    endpoint_alter(factories.change(hall.site), endpoint=hall.gateway, negotiated_power_w=5.0)
    load, worked = of(hall, "poe_allocated", hall.switch.pk)
    (row,) = worked.tables[0].rows
    assert (row["negotiated_w"], row["poe_class"]) == (5.0, "2")
    assert row["allocated_w"] == pytest.approx(5.2890, rel=1e-4)
    assert load.likely == row["allocated_w"]
    assert amounts(worked)["power supplies fitted"].likely == 1, "all that its model takes"


def test_what_a_port_of_its_type_delivers(hall: Hall) -> None:
    """Type 2 delivers 30 W; class 2 needs 7 W (IEEE 802.3)."""
    port = hall.switch.ports.get(number=3)
    assert hall.gateway.facts.latest("step").port == port
    load, worked = of(hall, "port_type", port.pk)
    assert (load.likely, load.limit) == (7.0, 30.0)
    assert amounts(worked)["port type"].known == "of the switch's model"
    port_alter(factories.change(hall.site), port=port, port_type=1)
    load, worked = of(hall, "port_type", port.pk)
    assert load.limit == 15.4
    assert amounts(worked)["port type"].known == "recorded of the port"


def test_another_load_on_a_port_is_judged_and_allocated_by_the_type_of_the_port(hall: Hall) -> None:
    """A class 4 camera needs 30 W; type 1 delivers 15.4 W (IEEE 802.3), and no more is allocated."""
    port = hall.switch.ports.get(number=5)
    port_alter(
        factories.change(hall.site),
        port=port,
        port_type=1,
        other_load="camera at the gate",
        other_load_class=4,
    )
    load, worked = of(hall, "port_type", port.pk)
    assert (load.likely, load.limit, load.detail) == (30.0, 15.4, None)
    assert amounts(worked)["power of the other load, at the switch"].likely == 30.0
    _, worked = of(hall, "poe_allocated", hall.switch.pk)
    rows = {row["port"]: row["allocated_w"] for row in worked.tables[0].rows}
    assert rows[5.0] == 15.4


def test_a_value_scaled_to_a_reading_is_shown_as_such(hall: Hall) -> None:
    reading_record(
        factories.change(hall.site), kind=Reading.Kind.RUN_CURRENT, state=Reading.State.PAGING, value=0.5,
        taken_on=BUILT, run=hall.gangway_run,
    )  # fmt: skip
    for point in hall.gangway_run.points.all():
        facts = PointFacts.objects.filter(point=point).latest("step")
        assert facts.current_basis == Basis.MEASURED
    guessed = factories.make_run(
        hall.block,
        zone=hall.gangway,
        name="R3",
        supply=hall.supply,
        output=hall.gateway.outputs.get(number=2),
    )
    factories.make_points(guessed, 4, hall.speaker, current_basis=Basis.GUESSED)
    reading_record(
        factories.change(hall.site), kind=Reading.Kind.RUN_CURRENT, state=Reading.State.PAGING, value=0.2,
        taken_on=BUILT, run=guessed,
    )  # fmt: skip
    _, worked = of(hall, "supply_current", hall.supply.pk)
    known = {row["run"]: row["known"] for row in worked.tables[0].rows}
    assert known == {
        "run R1": "measured, from its model",
        "run R2": "measured, from its model",
        "run R3": "scaled to a reading",
    }


def test_a_reading_is_shown_with_the_range_that_it_is_held_against(hall: Hall) -> None:
    reading_record(
        factories.change(hall.site), kind=Reading.Kind.RUN_CURRENT, state=Reading.State.PAGING, value=1.5,
        taken_on=BUILT, run=hall.run, instrument_error=0.02,
    )  # fmt: skip
    load, worked = of(hall, "reading_disagrees", hall.run.pk)
    # thirty speakers of 40 mA, measured: 1.2 A ± 5 %; the reading ± 0.03 A
    found = amounts(worked)
    assert (found["range"].low, found["range"].high) == pytest.approx((1.14, 1.26))
    assert found["error of the reading"].likely == pytest.approx(0.03)
    assert found["error of the reading"].known == "stated by the instrument"
    assert found["excess"].likely == load.likely == pytest.approx(1.5 - 0.03 - 1.26)
    assert "1.11 A to 1.29 A" in worked.steps[0].text


def test_a_reading_that_is_used_is_shown_with_its_factor_and_what_it_leaves(hall: Hall) -> None:
    guessed = factories.make_run(
        hall.block, zone=hall.gangway, name="R3", supply=hall.supply,
        output=hall.gateway.outputs.get(number=2),
    )  # fmt: skip
    factories.make_points(guessed, 4, hall.speaker, current_basis=Basis.GUESSED)
    reading_record(
        factories.change(hall.site), kind=Reading.Kind.RUN_CURRENT, state=Reading.State.PAGING, value=0.2,
        taken_on=BUILT, run=guessed,
    )  # fmt: skip
    load, worked = of(hall, "reading_disagrees", guessed.pk)
    found = amounts(worked)
    assert load.likely == 0.0
    assert found["factor"].likely == pytest.approx(0.2 / 0.16)
    assert found["error of scaled values"].likely == pytest.approx(0.1)


def test_what_is_not_recorded_is_shown_as_such(hall: Hall) -> None:
    change = factories.change(hall.site)
    point_append(change, run=hall.run, after=hall.points[-1], model=hall.speaker)
    point_append(change, run=hall.gangway_run, current_basis=Basis.UNKNOWN)
    _, worked = of(hall, "supply_current", hall.supply.pk)
    (strange,) = (row for row in worked.tables[0].rows if row["model"] == "model not recorded")
    assert strange["known"] == "not recorded: taken as usual for its kind"
    assert strange["likely_a"] == pytest.approx(0.025), "common practice for a ceiling speaker"
    _, worked = of(hall, "run_voltage", hall.run.pk)
    assert worked.tables[0].rows[-1]["known"] == "not recorded: taken as usual"
