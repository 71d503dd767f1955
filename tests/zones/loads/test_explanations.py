"""Worked calculations: each figure again, from its inputs to the limit, as someone with a pencil would."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from sites.models import Basis, Block, DeviceModel
from sites.services.endpoints import endpoint_alter
from sites.services.switches import port_alter
from tests import factories
from tests.halls import Hall
from zones.limits.registry import LIMITS
from zones.loads.explanations.registry import EXPLAINERS
from zones.loads.site_loads import site_loads
from zones.models import Run
from zones.services.points import point_append

from .explained import amounts, explained, of

pytestmark = pytest.mark.django_db
BUILT = factories.BUILT_ON


def test_every_limit_with_a_figure_is_explained() -> None:
    assert set(EXPLAINERS) == {limit.code for limit in LIMITS if limit.rule is not None}


def test_every_figure_is_reached_by_its_calculation(everything: Hall) -> None:
    """What the steps (or, where nothing is to be computed, the inputs or the rows) come to is the figure."""
    found = explained(site_loads(everything.site.pk, BUILT + dt.timedelta(days=62)))
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
        known: dict[str, Any] = {"length_m": length_m, "length_basis": Basis.MEASURED}
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
        known: dict[str, Any] = {
            "length_m": length_m, "length_basis": basis, "tap_power_w": tap_w, "tap_basis": basis,
        }  # fmt: skip
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


def test_what_a_block_is_called_in_a_sentence(hall: Hall) -> None:
    block = factories.make_block(hall.closet, name="B9", kind=Block.Kind.TYPE_110)
    run = factories.make_run(block, name="R9", zone=hall.zone, supply=hall.supply)
    factories.make_points(run, 1, hall.speaker, cable_type=factories.make_cable())
    _, gauge = of(hall, "wire_gauge", run.pk)
    assert "thickest wire of a 110-type block" in amounts(gauge)
    _, stranded = of(hall, "stranded_on_idc", run.pk)
    assert stranded.assumptions == (
        "It lands on a 110-type block. Category cable is solid unless recorded otherwise.",
    )


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
