"""What to measure next on a site, in words: in the order of a walk, with where to put the probes."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from sites.models import Basis, Block, Closet, DeviceModel, Site
from tests import factories
from zones.models import Run, Test
from zones.services.landings import PairUse, landing_add
from zones.services.tests import record_test
from zones.sheets.measuring import ToMeasure
from zones.sheets.survey import Survey, site_survey

pytestmark = pytest.mark.django_db


def supply_of_two_runs(block: Block, name: str) -> Run:
    """A supply of 1 A, judged at 0.8 A: ten speakers measured at 40 mA, and ten ceiling speakers at 15, 25
    or 50 mA, not recorded: 0.38 + 0.15 to 0.42 + 0.50 A. Returns the run of the latter."""
    model = factories.make_model(
        DeviceModel.Kind.SUPPLY, rated_current_a=1.0, no_load_voltage_v=24, rated_load_voltage_v=None
    )
    supply = factories.make_supply(block.closet, model, name=f"PS {name}")
    wall = factories.make_model(DeviceModel.Kind.WALL_SPEAKER)
    runs = []
    for number, basis in ((1, Basis.MEASURED), (2, Basis.UNKNOWN)):
        zone = factories.make_zone(block.site)
        runs.append(factories.make_run(block, name=f"{name}{number}", zone=zone, supply=supply))
        factories.make_points(
            runs[-1],
            10,
            wall,
            length_m=1.0,
            dc_pairs=3,
            cable_type=factories.make_cable(),
            current_basis=basis,
        )
    return runs[-1]


def far_run(block: Block) -> Run:
    """Ten speakers measured at 40 mA behind a home run of 15, 40 or 90 m, not recorded, of one pair:
    2 · 8.42 Ω/100 m × 90 m × 0.42 A × 1.114 are 7.1 V of 24 V, and 18 V the least that they work at."""
    supply = factories.make_supply(
        block.closet,
        factories.make_model(DeviceModel.Kind.SUPPLY, no_load_voltage_v=24, rated_load_voltage_v=None),
        name="PS far",
    )
    run = factories.make_run(block, name="F1", zone=factories.make_zone(block.site), supply=supply)
    wall = factories.make_model(DeviceModel.Kind.WALL_SPEAKER)
    of_all: dict[str, Any] = {
        "dc_pairs": 1,
        "cable_type": factories.make_cable(),
        "current_basis": Basis.MEASURED,
    }
    factories.make_points(run, 1, wall, length_m=None, place="Loft", **of_all)
    factories.make_points(run, 9, wall, length_m=1.0, **of_all)
    return run


def survey(site: Site) -> Survey:
    return site_survey(site.pk, factories.BUILT_ON)


def listed(site: Site) -> tuple[ToMeasure, ...]:
    return survey(site).measuring.to_measure


@pytest.fixture
def mdf(site: Site) -> Block:
    return factories.make_block(factories.make_closet(site, name="MDF"), name="B1")


def test_a_clamp_goes_around_the_positive_conductors_where_they_are_landed(mdf: Block) -> None:
    """0.42 + 0.50 A may be past 0.8 A; read at 0.25 A, give or take 10 %, at most 0.695 A."""
    run = supply_of_two_runs(mdf, "P")
    (one,) = listed(mdf.site)
    assert one.sentence == "Run current of P2 at block B1, paging speech."
    assert one.probes == (
        "Clamp around the positive DC conductors of the run. Their rows are not recorded: trace the run "
        "first."
    )
    assert one.settles == ("supply current of supply PS P",)
    assert (one.kind, one.state, one.signal, one.unit) == ("run_current", "paging", "speech", "A")
    change = factories.change(mdf.site)
    for row, pair in ((11, 2), (13, 3)):
        landing_add(change, block=mdf, row=row, pair=pair, carries=PairUse.DC, run=run)
    (one,) = listed(mdf.site)
    positive = one.rows
    assert one.sentence == f"Run current of P2 at clips {positive[0]} and {positive[1]}, paging speech."
    assert set(positive) in ({11, 13}, {12, 14})
    assert one.probes.startswith("Clamp around the positive DC conductors of the run together, field side: ")
    assert f"on row {positive[0]} and " in one.probes


def test_blocks_come_by_closet_block_and_row_and_rooms_last(mdf: Block) -> None:
    site = mdf.site
    far = far_run(mdf)
    change = factories.change(site)
    landing_add(change, block=mdf, row=21, pair=2, carries=PairUse.DC, run=far)
    second = supply_of_two_runs(mdf, "P")
    first = supply_of_two_runs(mdf, "Q")
    for row, run in ((7, second), (3, first)):
        landing_add(change, block=mdf, row=row, pair=2, carries=PairUse.DC, run=run)
    attic = factories.make_block(factories.make_closet(site, name="Attic"), name="B9")
    supply_of_two_runs(attic, "Z")
    readings = listed(site)
    assert [(one.closet, one.run, one.place) for one in readings] == [
        ("Attic", "Z2", ""),
        ("MDF", "Q2", ""),
        ("MDF", "P2", ""),
        ("MDF", "F1", "Loft"),
    ]
    voltage = readings[-1]
    assert voltage.sentence == "DC voltage at 1 (Loft) of F1, paging speech."
    ends = {*voltage.rows, 43 - voltage.rows[0]}
    assert ends == {21, 22}
    assert voltage.probes == (
        "Between positive and negative at the point; at the same time between rows "
        f"{voltage.rows[0]} and {43 - voltage.rows[0]} of B1 in closet MDF."
    )
    assert voltage.settles == ("voltage at the last speaker of run F1",)


def test_each_question_has_the_reading_that_narrows_it_most_and_the_summary_counts_them(mdf: Block) -> None:
    supply_of_two_runs(mdf, "P")
    factories.make_supply(mdf.closet, factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=None))
    found = survey(mdf.site)
    asked = {
        (one.figure.limit.code, one.figure.subject): found.measuring.best.get(
            (one.figure.load.code, one.figure.load.subject)
        )
        for one in found.questions
    }
    best = asked["supply_current", "supply PS P"]
    assert best is not None
    assert best.run == "P2"
    assert "1 reading in walking order settles 1 of them, if what they read is likely." in found.summary


def test_a_test_that_is_entered_leaves_the_list(mdf: Block) -> None:
    run = supply_of_two_runs(mdf, "P")
    record_test(
        factories.change(mdf.site),
        kind=Test.Kind.RUN_CURRENT,
        state=Test.State.PAGING,
        run=run,
        value=0.25,
        taken_on=factories.BUILT_ON,
    )
    found = survey(mdf.site)
    assert found.measuring.to_measure == ()
    assert not [one for one in found.questions if one.figure.limit.code == "supply_current"]


def test_more_runs_cost_as_many_queries(mdf: Block) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as sent:
            assert listed(mdf.site)
        return len(sent)

    supply_of_two_runs(mdf, "P")
    before = queries()
    far_run(mdf)
    supply_of_two_runs(factories.make_block(mdf.closet), "Q")
    assert queries() == before


def test_where_only_a_rating_is_missing_no_reading_is_asked_for(closet: Closet) -> None:
    model = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=None)
    supply = factories.make_supply(closet, model)
    run = factories.make_run(
        factories.make_block(closet), zone=factories.make_zone(closet.site), supply=supply
    )
    factories.make_points(run, 2, current_basis=Basis.MEASURED)
    found = survey(closet.site)
    assert found.questions
    assert found.measuring.to_measure == ()
