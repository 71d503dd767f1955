"""A site for the worked calculations."""

from __future__ import annotations

import pytest

from sites.models import Basis, DeviceModel, EndpointFacts
from sites.services.endpoints import endpoint_alter
from sites.services.switches import port_alter, switch_alter
from tests import factories
from tests.halls import Hall
from zones.models import Run, Test, ZoneFacts
from zones.services.landings import PairUse, landing_add
from zones.services.points import point_alter, point_append
from zones.services.runs import run_alter
from zones.services.tests import record_test
from zones.services.zones import zone_alter

from .explained import twice_fed

BUILT = factories.BUILT_ON


@pytest.fixture
def everything(hall: Hall) -> Hall:
    """A site on which every limit of the registry has a figure, two months after it was built."""
    change = factories.change(hall.site)
    zone_alter(change, zone=hall.zone, signal=ZoneFacts.Signal.UNKNOWN)
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
        address="10.1.0.5", vlan=30, service=EndpointFacts.Service.IN_SERVICE,
    )  # fmt: skip
    factories.keep_proofs(BUILT)
    contract = factories.make_contract(hall.site.customer, test_interval_months=1)
    factories.make_coverage(contract, hall.site)
    speaker = factories.make_gateway(
        hall.closet, factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER), name="NS 1"
    )
    endpoint_alter(change, endpoint=speaker, address="10.1.0.5", vlan=30)
    record_test(
        change, kind=Test.Kind.POE_POWER, state=Test.State.PAGING, value=40.0, taken_on=BUILT,
        switch=hall.switch,
    )  # fmt: skip
    record_test(
        change, kind=Test.Kind.RUN_CURRENT, state=Test.State.PAGING, value=2.9, taken_on=BUILT,
        run=hall.run,
    )  # fmt: skip
    record_test(
        change, kind=Test.Kind.END_VOLTAGE, state=Test.State.PAGING, value=30.0, taken_on=BUILT,
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
    wall = factories.make_model(DeviceModel.Kind.WALL_SPEAKER, maximum_voltage_v=30.0)
    points = factories.make_points(dead, 3, wall)
    point_alter(change, point=points[1], negative_cut=True)
    landing_add(change, block=hall.block, row=1, pair=1, carries=PairUse.AUDIO, output=hall.output)
    landing_add(change, block=hall.block, row=1, pair=1, carries=PairUse.AUDIO, run=hall.run, reversed=True)
    landing_add(change, block=hall.block, row=2, pair=2, carries=PairUse.DC, run=hall.run)
    return hall
