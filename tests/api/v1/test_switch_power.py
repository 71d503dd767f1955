"""``GET /switches/{id}/power``: what is allocated to each port, and which ports are expected to lose it.

Powers at the switch by class are those of IEEE 802.3: 15.4 W of class 0 and 3, 4 W of class 1, 7 W of class
2, 30 W of class 4."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client

from sites.models import Closet, DeviceModel, Endpoint, Switch, SwitchPortFacts, User
from sites.services.endpoints import endpoint_alter, endpoint_move
from sites.services.switches import port_alter, switch_end
from tests import factories
from tests.api.conftest import Caller
from tests.halls import Hall
from zones.models import Test
from zones.recheck.batch import check
from zones.services.tests import record_test
from zones.services.zones import zone_endpoint_add

Priority = SwitchPortFacts.Priority


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)


@pytest.fixture
def switch(closet: Closet) -> Switch:
    """Two power supplies of 30 W each."""
    model = factories.make_model(
        DeviceModel.Kind.SWITCH,
        power_supplies_max=2,
        poe_budget_w=60.0,
        poe_budget_one_lost_w=30.0,
        port_type=2,
    )
    return factories.make_switch(closet, model, name="SW 7", power_supply_count=2)


def connect(switch: Switch, number: int, poe_class: int | None, **port: Any) -> Endpoint:
    model = factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER, poe_class=poe_class, paging_poe_w=None)
    endpoint = factories.make_gateway(switch.closet, model, name=f"NS {number}")
    change = factories.change(switch.site)
    endpoint_move(change, endpoint=endpoint, port=switch.ports.get(number=number))
    if port:
        port_alter(change, port=switch.ports.get(number=number), **port)
    return endpoint


def power_of(client: Client, switch: Switch, **query: str) -> dict[str, Any]:
    answer = client.get(f"/api/v1/switches/{switch.pk}/power", query)
    assert answer.status_code == 200, answer.content
    found: dict[str, Any] = answer.json()
    return found


def test_ports_keep_power_by_priority_and_then_by_number(switch: Switch, client: Client) -> None:
    """7 + 15.4 = 22.4 W is within 30 W; 22.4 + 15.4 = 37.8 W is not, and port 8 comes after it."""
    connect(switch, 1, 3)
    connect(switch, 2, None)
    connect(switch, 5, 2, priority=Priority.CRITICAL)
    port_alter(
        factories.change(switch.site),
        port=switch.ports.get(number=8),
        other_load="gate camera",
        other_load_class=1,
    )
    power = power_of(client, switch)
    ports = power["ports"]
    assert [port["number"] for port in ports] == [5, 1, 2, 8]
    assert [port["priority"] for port in ports] == ["critical", "low", "low", "low"]
    assert [port["allocated_w"] for port in ports] == [7.0, 15.4, 15.4, 4.0]
    assert [port["cumulative_w"] for port in ports] == pytest.approx([7.0, 22.4, 37.8, 41.8])
    assert [port["loses_power"] for port in ports] == [False] * 4
    assert [port["loses_power_one_lost"] for port in ports] == [False, False, True, True]
    assert [port["expected"] for port in ports] == [
        "keeps power",
        "keeps power",
        "expected to lose power with one supply lost",
        "expected to lose power with one supply lost",
    ]
    assert power["free"] == [3, 4, 6, 7]
    assert power["allocated_w"] == pytest.approx(41.8)
    assert power["sentences"] == [
        "41.8 W allocated to 4 ports; budget 60 W.",
        "With its largest power supply lost, 30 W is left.",
        "Then, ports 2 and 8 are expected to lose power.",
    ]


def test_each_load_says_by_what_it_is_counted(switch: Switch, client: Client) -> None:
    """Negotiated 3 W at the device: over the longest channel of 20 Ω at 44 V,
    44·(44 − √(44² − 4·20·3)) / (2·20) = 3.10 W at the switch."""
    connect(switch, 1, 2)
    negotiated = connect(switch, 2, 2)
    endpoint_alter(factories.change(switch.site), endpoint=negotiated, negotiated_power_w=3.0)
    unknown = connect(switch, 3, None)
    connect(switch, 4, 4, port_type=1)
    change = factories.change(switch.site)
    port_alter(change, port=switch.ports.get(number=5), other_load="telephone", other_load_power_w=6.5)
    port_alter(change, port=switch.ports.get(number=6), other_load="gate camera")
    ports = {port["number"]: port for port in power_of(client, switch)["ports"]}
    (one,) = ports[3]["loads"]
    assert one == {
        "endpoint_id": unknown.pk,
        "name": "NS 3",
        "poe_class": None,
        "counted_by": "assumed",
        "allocated_w": 15.4,
        "capped": False,
        "words": "counted 15.4 W, class not recorded",
    }
    assert {
        number: (port["loads"][0]["name"], port["loads"][0]["words"]) for number, port in ports.items()
    } == {
        1: ("NS 1", "7 W, class 2"),
        2: ("NS 2", "3.1 W, negotiated"),
        3: ("NS 3", "counted 15.4 W, class not recorded"),
        4: ("NS 4", "15.4 W, class 4; asks for more than its port delivers"),
        5: ("telephone", "6.5 W, as recorded"),
        6: ("gate camera", "counted 15.4 W, class not recorded"),
    }
    assert ports[4]["port_type"] == 1
    assert ports[2]["allocated_w"] == pytest.approx(3.0992, abs=1e-4)


def test_it_allocates_what_the_figure_of_the_switch_says(hall: Hall, switch: Switch, client: Client) -> None:
    for number in range(1, 5):
        connect(switch, number, 3)
    record_test(
        factories.change(switch.site, happened_on=dt.date(2025, 2, 3)),
        kind=Test.Kind.POE_POWER,
        switch=switch,
        value=21.5,
        state=Test.State.PAGING,
        taken_on=dt.date(2025, 2, 3),
    )
    check([switch.site_id])
    items = client.get(f"/api/v1/switches/{switch.pk}/load").json()["items"]
    figures = {one["code"]: one for one in items}
    power = power_of(client, switch)
    # 4 × 15.4 W
    assert power["allocated_w"] == figures["poe_allocated"]["likely"] == pytest.approx(61.6)
    assert power["budget_w"] == figures["poe_allocated"]["limit"] == 60.0
    assert power["budget_one_lost_w"] == figures["poe_one_supply_lost"]["limit"] == 30.0
    # 0.8 where unset: 48 W
    assert power["threshold_w"] == figures["poe_measured"]["limit"] == pytest.approx(48.0)
    measured = power["measured"]
    assert measured["power_w"] == figures["poe_measured"]["likely"] == 21.5
    assert (measured["taken_on"], measured["paging"]) == ("2025-02-03", True)
    # 46.2 W is within 60 W, 61.6 W is not
    assert [port["loses_power"] for port in power["ports"]] == [False, False, False, True]
    assert "With the power supplies fitted, port 4 is expected to lose power." in power["sentences"]


def test_the_zones_that_fall_silent_with_a_port_are_named(hall: Hall, switch: Switch, client: Client) -> None:
    speaker = connect(switch, 2, 3)
    connect(switch, 3, 3)
    zone_endpoint_add(factories.change(switch.site), zone=hall.gangway, endpoint=speaker)
    power = power_of(client, switch)
    assert [port["zone_ids"] for port in power["ports"]] == [[hall.gangway.pk], []]
    assert power["zones"] == [{"id": hall.gangway.pk, "name": "Gangway", "life_safety": "unknown"}]


@pytest.mark.parametrize(
    ("fitted", "model", "expected"),
    [
        (
            {},
            {"power_supplies_max": 1, "poe_budget_w": 65.0},
            [
                "7 W allocated to 1 port; budget 65 W.",
                "It has one power supply: without it every port loses power.",
            ],
        ),
        (
            {},
            {"power_supplies_max": 2, "poe_budget_w": 65.0},
            [
                "7 W allocated to 1 port; budget not recorded.",
                "The budget with one power supply lost is not recorded.",
            ],
        ),
        (
            {},
            {"power_supplies_max": None, "poe_budget_w": None},
            [
                "7 W allocated to 1 port; budget not recorded.",
                "How many power supplies are fitted is not recorded.",
            ],
        ),
        (
            {"power_supply_count": 2},
            {"power_supplies_max": 2, "poe_budget_w": 65.0, "poe_budget_one_lost_w": 7.0},
            [
                "7 W allocated to 1 port; budget 65 W.",
                "With its largest power supply lost, 7 W is left.",
                "Then every port keeps power.",
            ],
        ),
    ],
)
def test_what_is_known_of_its_power_supplies_is_said(
    closet: Closet, client: Client, fitted: dict[str, Any], model: dict[str, Any], expected: list[str]
) -> None:
    made = factories.make_switch(closet, factories.make_model(DeviceModel.Kind.SWITCH, **model), **fitted)
    connect(made, 1, 2)
    assert power_of(client, made)["sentences"] == expected


def test_nothing_is_said_to_lose_power_where_the_budget_is_not_recorded(
    closet: Closet, client: Client
) -> None:
    model = factories.make_model(DeviceModel.Kind.SWITCH, power_supplies_max=None, poe_budget_w=None)
    made = factories.make_switch(closet, model)
    connect(made, 1, 4)
    (port,) = power_of(client, made)["ports"]
    assert (port["loses_power"], port["loses_power_one_lost"]) == (None, None)


def test_it_is_answered_as_of_a_day_on_which_the_switch_stood(switch: Switch, client: Client) -> None:
    late = factories.make_gateway(switch.closet, factories.make_model(DeviceModel.Kind.GATEWAY), name="GW 9")
    endpoint_move(
        factories.change(switch.site, happened_on=dt.date(2025, 3, 14)),
        endpoint=late,
        port=switch.ports.get(number=1),
    )
    assert power_of(client, switch, as_of="2025-03-13")["ports"] == []
    assert [port["number"] for port in power_of(client, switch, as_of="2025-03-14")["ports"]] == [1]
    path = f"/api/v1/switches/{switch.pk}/power"
    early = client.get(path, {"as_of": "2024-03-03"})
    assert (early.status_code, early.json()["detail"]) == (
        404,
        "It did not stand on 2024-03-03 yet: it began on 2024-03-04.",
    )


def test_a_switch_that_has_ended_allocates_nothing(switch: Switch, client: Client) -> None:
    switch_end(factories.change(switch.site, happened_on=dt.date(2025, 3, 14)), switch=switch)
    answer = client.get(f"/api/v1/switches/{switch.pk}/power")
    assert answer.status_code == 404
    assert "it ended on 2025-03-14" in answer.json()["detail"]
