"""Makes what a test needs, through the services, so that what stands in a test could stand in the record.

Every factory takes its parent (made if left out) and any field of what it makes. All are of the invented
integrator Larkmoor Sound & Signal; ``change`` says who, why and when.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Sequence
from copy import copy
from itertools import pairwise
from typing import Any

from sites.changes.services import Change, open_change_set
from sites.changes.work import Work
from sites.models import (
    Amplifier,
    Basis,
    Block,
    CableType,
    Closet,
    Contract,
    Coverage,
    Customer,
    DeviceModel,
    Endpoint,
    Site,
    Supply,
    Switch,
)
from sites.models.access import Grant, User
from sites.models.changes import ChangeSet
from sites.services.catalogue import cable_type_add, device_model_add
from sites.services.closets import block_add, closet_add
from sites.services.customers import contract_add, coverage_add, customer_add
from sites.services.endpoints import endpoint_add
from sites.services.power import amplifier_add, supply_add
from sites.services.sites import site_add
from sites.services.switches import switch_add
from zones.models import Point, PointFacts, ProofsKept, Run, Test, Zone, ZoneFacts
from zones.services.points import point_append
from zones.services.runs import run_add
from zones.services.tests import record_test
from zones.services.zones import zone_add

INTEGRATOR = "Larkmoor Sound & Signal"
BUILT_ON = dt.date(2024, 3, 4)
"""The day on which what factories make was put up, unless a test says otherwise."""

_numbers = itertools.count(1)


def next_number() -> int:
    """A number that no other thing made in this process has."""
    return next(_numbers)


# --- people
# -----------------------------------------------------------------------------------------------------


def make_user(
    role: User.Role = User.Role.TECHNICIAN,
    *,
    customers: Sequence[Customer] = (),
    all_customers: bool = False,
    **fields: Any,
) -> User:
    fields.setdefault("username", f"{role.value}-{next_number()}")
    user = User.objects.create_user(
        password="correct horse", role=role, all_customers=all_customers, **fields
    )
    Grant.objects.bulk_create(Grant(user=user, customer=customer) for customer in customers)
    return user


def change(
    site: Site | None = None,
    *,
    happened_on: dt.date | None = BUILT_ON,
    reason: str = "as built",
    user: User | None = None,
    channel: ChangeSet.Channel = ChangeSet.Channel.REST,
    **fields: Any,
) -> Change:
    """Who changes what, why and when; by the integrator, where no user is named."""
    if user is None:
        fields.setdefault("actor", INTEGRATOR)
    return Change(
        site_id=site.pk if site is not None else None,
        user=user,
        reason=reason,
        channel=channel,
        happened_on=happened_on,
        **fields,
    )


# --- what all sites share
# ---------------------------------------------------------------------------------------


def make_customer(**fields: Any) -> Customer:
    number = next_number()
    fields = {"name": f"Harbour Line {number}", "code": f"harbour-{number}", **fields}
    return customer_add(change(), **fields).result


def keep_proofs(since: dt.date) -> None:
    """Proofs of runs are kept from this day on. A test that empties all tables takes the migration's row
    along."""
    ProofsKept.objects.update_or_create(pk=1, defaults={"since": since})


PROVING = (Test.Kind.CONTINUITY, Test.Kind.SHORTS, Test.Kind.POLARITY, Test.Kind.TONE_TRACE)
"""The tests of a proof, in the order of work."""


def take_test(run: Run, **said: Any) -> Test:
    values: dict[str, Any] = {"taken_on": BUILT_ON, "technician": "Aoife Brandt", **said}
    return record_test(change(run.site, happened_on=values["taken_on"]), run=run, **values).result


def prove(run: Run, **said: Any) -> None:
    for kind in PROVING:
        take_test(run, kind=kind, **{"passed": True, **said})


def make_contract(customer: Customer, **fields: Any) -> Contract:
    fields = {"reference": f"M-{next_number()}", "response_hours": 8, "test_interval_months": 12, **fields}
    return contract_add(change(), customer=customer, **fields).result


def make_coverage(
    contract: Contract, site: Site, first_day: dt.date = BUILT_ON, end_day: dt.date | None = None
) -> Coverage:
    return coverage_add(change(), contract=contract, site=site, first_day=first_day, end_day=end_day).result


def make_model(kind: DeviceModel.Kind, **ratings: Any) -> DeviceModel:
    ratings.setdefault("name", f"{kind.value} {next_number()}")
    return device_model_add(change(), kind=kind, **{**_RATINGS.get(kind, {}), **ratings}).result


# Invented ratings, plausible ones
_RATINGS: dict[DeviceModel.Kind, dict[str, Any]] = {
    DeviceModel.Kind.CEILING_SPEAKER: {
        "idle_current_a": 0.015,
        "full_output_current_a": 0.050,
        "minimum_voltage_v": 18.0,
        "input_impedance_ohm": 47_000.0,
        "taps_w": [1.0, 2.0, 5.0],
    },
    DeviceModel.Kind.WALL_SPEAKER: {
        "idle_current_a": 0.020,
        "full_output_current_a": 0.080,
        "minimum_voltage_v": 18.0,
        "input_impedance_ohm": 47_000.0,
    },
    DeviceModel.Kind.HORN: {
        "idle_current_a": 0.030,
        "full_output_current_a": 0.700,
        "minimum_voltage_v": 18.0,
        "input_impedance_ohm": 47_000.0,
        "taps_w": [7.5, 15.0, 30.0],
    },
    DeviceModel.Kind.SUPPLY: {
        "rated_current_a": 2.0,
        "no_load_voltage_v": 24.4,
        "rated_load_voltage_v": 24.0,
    },
    DeviceModel.Kind.AMPLIFIER: {"rated_power_w": 120.0, "line_voltages_v": [70.7, 100.0]},
    DeviceModel.Kind.GATEWAY: {
        "output_count": 2,
        "output_impedance_ohm": 100.0,
        "poe_class": 2,
        "idle_poe_w": 4.0,
        "paging_poe_w": 5.0,
    },
    DeviceModel.Kind.NETWORK_SPEAKER: {"poe_class": 3, "idle_poe_w": 3.0, "paging_poe_w": 9.0},
    DeviceModel.Kind.SWITCH: {"port_count": 8, "port_type": 2, "power_supplies_max": 1, "poe_budget_w": 65.0},
}


def make_cable(**fields: Any) -> CableType:
    fields = {"name": f"category cable {next_number()}", "gauge_awg": 24, **fields}
    return cable_type_add(change(), **fields).result


# --- places and plant
# -------------------------------------------------------------------------------------------


def make_site(customer: Customer | None = None, *, happened_on: dt.date = BUILT_ON, **fields: Any) -> Site:
    number = next_number()
    fields = {"code": f"pier-{number}", "name": f"Pier {number}", **fields}
    return site_add(
        change(happened_on=happened_on, reason="taken under contract"),
        customer=customer or make_customer(),
        **fields,
    ).result


def make_closet(site: Site | None = None, **fields: Any) -> Closet:
    site = site or make_site()
    fields = {"name": f"C{next_number()}", "building": "Ticket hall", **fields}
    return closet_add(change(site), **fields).result


def make_block(closet: Closet | None = None, **fields: Any) -> Block:
    closet = closet or make_closet()
    fields = {"name": f"B{next_number()}", "kind": Block.Kind.SPLIT_66, **fields}
    return block_add(change(closet.site), closet=closet, **fields).result


def make_supply(closet: Closet, model: DeviceModel | None = None, **fields: Any) -> Supply:
    fields = {"name": f"PS {next_number()}", **fields}
    model = model or make_model(DeviceModel.Kind.SUPPLY)
    return supply_add(change(closet.site), closet=closet, model=model, **fields).result


def make_amplifier(closet: Closet, model: DeviceModel | None = None, **fields: Any) -> Amplifier:
    fields = {"name": f"A {next_number()}", "line_voltage_v": 70.7, **fields}
    model = model or make_model(DeviceModel.Kind.AMPLIFIER)
    return amplifier_add(change(closet.site), closet=closet, model=model, **fields).result


def make_switch(closet: Closet, model: DeviceModel | None = None, **fields: Any) -> Switch:
    fields = {"name": f"SW {next_number()}", **fields}
    model = model or make_model(DeviceModel.Kind.SWITCH)
    return switch_add(change(closet.site), closet=closet, model=model, **fields).result


def make_gateway(closet: Closet, model: DeviceModel | None = None, **fields: Any) -> Endpoint:
    fields = {"name": f"GW {next_number()}", **fields}
    model = model or make_model(DeviceModel.Kind.GATEWAY)
    return endpoint_add(change(closet.site), closet=closet, model=model, **fields).result


def make_zone(site: Site | None = None, **fields: Any) -> Zone:
    site = site or make_site()
    fields = {"name": f"Marshalling lane {next_number()}", "signal": ZoneFacts.Signal.SPEECH, **fields}
    return zone_add(change(site), **fields).result


def make_run(
    block: Block, *, kind: Run.Kind = Run.Kind.SELF_AMPLIFIED, zone: Zone | None = None, **fields: Any
) -> Run:
    fields = {"name": f"R{next_number()}", **fields}
    return run_add(change(block.site), block=block, kind=kind, zone=zone, **fields).result


def make_points(
    run: Run,
    count: int,
    model: DeviceModel | None = None,
    *,
    happened_on: dt.date = BUILT_ON,
    length_m: float | None = 6.0,
    **fields: Any,
) -> list[Point]:
    """A chain of ``count`` speakers on a run, behind its last point.

    The first is added by the service, the others are its like, copied in one statement a table as an import
    writes them: many tests begin with a long chain, and one by one it would take longer than the test.
    """
    model = model or make_model(DeviceModel.Kind.CEILING_SPEAKER)
    if length_m is not None:
        fields.setdefault("length_basis", Basis.MEASURED)
    values = {"model": model, "length_m": length_m, **fields}
    with open_change_set(change(run.site, happened_on=happened_on)) as change_set:
        last = run.points.order_by("rank").last()
        first = point_append.apply(Work(change_set), run=run, after=last, **values)
        behind = Point.objects.bulk_create(
            Point(
                site_id=run.site_id, run=run, change_set=change_set, rank=first.rank + k,
                name=f"{int(first.name) + k}",
            )
            for k in range(1, count)
        )  # fmt: skip
        like = first.facts.get()
        facts = []
        for parent, point in pairwise([first, *behind]):
            like = copy(like)
            like.point, like.rank, like.parent, like.parent_rank = point, point.rank, parent, parent.rank
            facts.append(like)
        PointFacts.objects.bulk_create(facts)
    return [first, *behind]
