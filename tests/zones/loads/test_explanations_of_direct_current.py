"""Worked calculations of supplies, runs and their speakers."""

from __future__ import annotations

import pytest

from sites.models import Basis, DeviceModel
from tests import factories
from tests.halls import Hall
from zones.electrical.verdicts import Verdict
from zones.models import ZoneFacts
from zones.services.paging_sets import paging_set_add
from zones.services.points import point_alter
from zones.services.zones import zone_alter

from .explained import amounts, of, twice_fed

pytestmark = pytest.mark.django_db
BUILT = factories.BUILT_ON


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
    supply = run.facts.latest("step").supply_id
    _, worked = of(hall, "supply_current", supply)
    assert "Left out: sections that another supply feeds as well." in worked.assumptions
    load, worked = of(hall, "wiring_class", supply)
    assert load.limit == 0
    assert len(worked.tables[0].rows) == 1, "what it is connected to counts, and nothing else"


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
    zone_alter(factories.change(hall.site), zone=hall.zone, signal=ZoneFacts.Signal.TONES)
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


def test_a_supply_that_falls_by_an_amount_that_is_not_recorded(hall: Hall) -> None:
    """24.4 V without load, 24.0 V at a current that its model does not state."""
    model = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=None)
    run = factories.make_run(hall.block, name="R6", supply=factories.make_supply(hall.closet, model))
    factories.make_points(run, 2, factories.make_model(DeviceModel.Kind.WALL_SPEAKER))
    load, worked = of(hall, "run_voltage", run.pk)
    assert load.high is None
    assert any("by how much it falls is not recorded" in said for said in worked.assumptions)
    _, worked = of(hall, "run_voltage", hall.run.pk)
    assert not any("by how much it falls is not recorded" in said for said in worked.assumptions)


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


def test_full_output_of_zones_of_which_no_signal_is_recorded(hall: Hall) -> None:
    """By hand: 30 speakers of the hall at 80 mA, and 10 of the gangway, which carries speech, at half of it:
    2.4 A + 0.4 A; during a page 40 × 40 mA."""
    zone_alter(factories.change(hall.site), zone=hall.zone, signal=ZoneFacts.Signal.UNKNOWN)
    load, worked = of(hall, "supply_current_full_output", hall.supply.pk)
    assert load.likely == pytest.approx(2.8)
    assert (load.verdict, load.headroom_likely) == (Verdict.NEAR, None)
    (table,) = worked.tables
    assert {(row["run"], row["known"]): pytest.approx(row["likely_a"]) for row in table.rows} == {
        ("run R1", "full output; measured, from its model"): 0.080,
        ("run R2", "measured, from its model"): 0.040,
    }
    assert worked.assumptions[0].startswith("Judged as if every zone whose signal is not recorded")
    load, worked = of(hall, "supply_current", hall.supply.pk)
    assert load.likely == pytest.approx(1.6)
    assert {row["known"] for row in worked.tables[0].rows} == {"measured, from its model"}
