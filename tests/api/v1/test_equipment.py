"""Switches, ports, networked devices, outputs, supplies and amplifiers over REST: as they are, as they were,
and written through their operations."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client

from sites.models import Closet, DeviceModel, Switch
from sites.models.access import User
from sites.models.changes import ChangeSet
from sites.services.endpoints import endpoint_move
from sites.services.power import supply_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import delete, etag_of, get, patch, post
from tests.halls import Hall

BUILT = factories.BUILT_ON
LATER = BUILT + dt.timedelta(days=100)
WHY = {"reason": "as agreed", "happened_on": LATER.isoformat(), "job_reference": "LS-9"}


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def refused(client: Client, method: str, address: str, body: dict[str, Any], etag: str | None = None) -> Any:
    headers = {} if etag is None else {"If-Match": etag}
    return getattr(client, method)(
        f"/api/v1/{address}", body, content_type="application/json", headers=headers
    )


def names(client: Client, address: str, **query: Any) -> list[str]:
    return [item["name"] for item in get(client, address, **query)["items"]]


# --- one life of each kind ----------------------------------------------------------------------------------

LIVES: list[tuple[str, DeviceModel.Kind, dict[str, Any], dict[str, Any], dict[str, Any]]] = [
    (
        "supplies",
        DeviceModel.Kind.SUPPLY,
        {"name": "PS 9", "outlet": "wall 3", "battery_installed_on": "2023-05-01"},
        {"breaker": "T 17", "note": "hums"},
        {"model_id": None},
    ),
    (
        "amplifiers",
        DeviceModel.Kind.AMPLIFIER,
        {"name": "A 9", "line_voltage_v": 70.7},
        {"line_voltage_v": 100.0, "outlet": "rack 2"},
        {"line_voltage_v": 25.0},
    ),
    (
        "switches",
        DeviceModel.Kind.SWITCH,
        {"name": "SW 9", "owner": "customer", "power_supply_count": 2},
        {"owner": "integrator", "usage_threshold": 0.7},
        {"power_supply_count": 1},
    ),
    (
        "endpoints",
        DeviceModel.Kind.GATEWAY,
        {"name": "GW 9", "address": "10.20.4.19", "firmware": "4.2.1", "vlan": 40},
        {"configuration_backup": "folder PA", "page_code": "71"},
        {"cable_length_m": 60.0, "cable_length_basis": "measured"},
    ),
]


@pytest.mark.parametrize(("resource", "kind", "made", "altered", "corrected"), LIVES)
def test_it_is_mounted_changed_corrected_and_taken_down(
    closet: Closet,
    client: Client,
    resource: str,
    kind: DeviceModel.Kind,
    made: dict[str, Any],
    altered: dict[str, Any],
    corrected: dict[str, Any],
) -> None:
    model = factories.make_model(kind)
    place = {"closet_id": closet.pk} | ({"site_id": closet.site_id} if resource == "endpoints" else {})
    answer = post(client, resource, {**place, **made, "model_id": model.pk, "change": WHY})
    thing = answer.json()
    address = f"{resource}/{thing['id']}"
    assert answer["Location"] == f"/api/v1/{address}"
    assert thing.items() >= {**made, "model_id": model.pk, "closet_id": closet.pk}.items()
    assert (thing["began_on"], thing["ended_on"]) == (LATER.isoformat(), None)
    changed = patch(client, address, {**altered, "change": WHY}, answer["ETag"])
    assert changed.json().items() >= altered.items()
    fixed = post(
        client, f"{address}/correct", {**corrected, "change": {"reason": "looked again"}}, status=200,
        etag=changed["ETag"],
    )  # fmt: skip
    assert fixed.json().items() >= corrected.items()
    assert ChangeSet.objects.latest("id").kind == ChangeSet.Kind.CORRECTION
    expanded = get(client, address, expand="site,closet,model")
    assert expanded["closet"]["name"] == closet.name
    assert expanded["site"]["id"] == closet.site_id
    delete(client, address, {"change": {"reason": "gone"}}, fixed["ETag"])
    assert get(client, address)["ended_on"] is not None
    assert thing["id"] not in [item["id"] for item in get(client, resource)["items"]]
    assert thing["id"] in [item["id"] for item in get(client, resource, ended="yes")["items"]]


@pytest.mark.parametrize(("resource", "kind", "made", "altered", "corrected"), LIVES)
def test_a_version_is_asked_for_and_one_that_is_past_changes_nothing(
    closet: Closet,
    client: Client,
    resource: str,
    kind: DeviceModel.Kind,
    made: dict[str, Any],
    altered: dict[str, Any],
    corrected: dict[str, Any],
) -> None:
    place = {"closet_id": closet.pk} | ({"site_id": closet.site_id} if resource == "endpoints" else {})
    answer = post(client, resource, {**place, **made, "change": WHY})
    address = f"{resource}/{answer.json()['id']}"
    for method, at in (("patch", address), ("delete", address), ("post", f"{address}/correct")):
        assert refused(client, method, at, {**altered, "change": WHY}).status_code == 428
    patch(client, address, {**altered, "change": WHY}, answer["ETag"])
    stale = refused(client, "patch", address, {**altered, "change": WHY}, answer["ETag"])
    assert (stale.status_code, stale["ETag"]) == (412, etag_of(client, address))


def test_a_model_of_another_kind_is_refused_where_it_stands(closet: Closet, client: Client) -> None:
    horn = factories.make_model(DeviceModel.Kind.HORN, name="HN 15")
    for resource in ("supplies", "amplifiers", "switches"):
        body = {"closet_id": closet.pk, "name": "X", "model_id": horn.pk, "change": WHY}
        answer = refused(client, "post", resource, body)
        assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/model_id"), resource


# --- as of a day, and found by what they were then ----------------------------------------------------------


def test_as_it_was_on_a_day(hall: Hall, client: Client) -> None:
    larger = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=4.0)
    first = get(client, f"supplies/{hall.supply.pk}")["model_id"]
    supply_alter(factories.change(hall.site, happened_on=LATER), supply=hall.supply, model=larger)
    address = f"supplies/{hall.supply.pk}"
    assert get(client, address)["model_id"] == larger.pk
    assert get(client, address)["unchanged_since"] == LATER.isoformat()
    assert get(client, address, as_of=BUILT.isoformat())["model_id"] == first
    assert names(client, "supplies", model_id=larger.pk) == ["PS 1"]
    assert names(client, "supplies", model_id=larger.pk, as_of=BUILT.isoformat()) == []
    early = client.get(f"/api/v1/{address}", {"as_of": (BUILT - dt.timedelta(days=1)).isoformat()})
    assert early.status_code == 404


def test_filters(hall: Hall, client: Client) -> None:
    closet = hall.closet
    old = factories.make_supply(closet, name="PS old", battery_installed_on=dt.date(2019, 1, 1))
    factories.make_amplifier(closet, name="A hot", line_voltage_v=100.0)
    factories.make_amplifier(closet, name="A mild", line_voltage_v=25.0)
    assert names(client, "supplies", battery_before="2020-01-01") == [old.name]
    assert names(client, "supplies", name="ps OLD", closet_id=closet.pk) == [old.name]
    assert names(client, "supplies", order="-battery") == ["PS old", "PS 1"]
    assert names(client, "amplifiers", line_voltage_from_v=70) == ["A hot"]
    assert names(client, "switches", owner="unknown") == ["SW 1"]
    assert names(client, "endpoints", switch_id=hall.switch.pk, kind="gateway") == ["GW 1"]
    assert names(client, "endpoints", power_source="mains") == []
    port = hall.switch.ports.get(number=3)
    assert names(client, "endpoints", port_id=port.pk) == ["GW 1"]
    wrong = client.get("/api/v1/endpoints", {"kind": "horn"}).json()["errors"][0]
    assert "gateway, network_speaker, network_amplifier" in wrong["detail"]


# --- switches and what they feed ----------------------------------------------------------------------------


def test_a_device_is_patched_to_another_port_and_off(hall: Hall, client: Client) -> None:
    address = f"endpoints/{hall.gateway.pk}"
    port = hall.switch.ports.get(number=5)
    moved = post(
        client,
        f"{address}/move",
        {"port_id": port.pk, "change": WHY},
        status=200,
        etag=etag_of(client, address),
    )
    assert (moved.json()["port_id"], moved.json()["power_source"]) == (port.pk, "port")
    expanded = get(client, address, expand="port")["port"]
    assert (expanded["number"], "priority" in expanded) == (5, False)
    off = post(client, f"{address}/move", {"port_id": None, "change": WHY}, status=200, etag=moved["ETag"])
    assert (off.json()["port_id"], off.json()["power_source"]) == (None, "unknown")
    assert get(client, address, as_of=BUILT.isoformat())["port_id"] == hall.switch.ports.get(number=3).pk


def test_a_port_that_is_taken_names_who_is_on_it(hall: Hall, client: Client) -> None:
    other = factories.make_gateway(hall.closet)
    address = f"endpoints/{other.pk}"
    body = {"port_id": hall.switch.ports.get(number=3).pk, "change": WHY}
    answer = refused(client, "post", f"{address}/move", body, etag_of(client, address))
    assert answer.status_code == 422
    assert "GW 1" in answer.json()["detail"]
    assert answer.json()["errors"][0]["pointer"] == "/port_id"


def test_ports(hall: Hall, client: Client) -> None:
    items = get(client, "switch-ports", switch_id=hall.switch.pk)["items"]
    assert [(item["number"], item["priority"]) for item in items] == [(n, "low") for n in range(1, 9)]
    address = f"switch-ports/{items[0]['id']}"
    load = {"port_type": 1, "other_load": "camera", "other_load_class": 3}
    altered = patch(
        client, address, {"priority": "critical", **load, "change": WHY}, etag_of(client, address)
    )
    assert altered.json().items() >= load.items()
    assert [item["number"] for item in get(client, "switch-ports", priority="critical")["items"]] == [1]
    assert get(client, "switch-ports", priority="critical", as_of=BUILT.isoformat())["items"] == []
    fixed = post(
        client,
        f"{address}/correct",
        {"other_load_class": 4, "change": {"reason": "looked"}},
        status=200,
        etag=altered["ETag"],
    )
    assert (fixed.json()["other_load_class"], fixed.json()["unchanged_since"]) == (4, LATER.isoformat())
    assert refused(client, "post", "switch-ports", {}).status_code == 405
    assert refused(client, "delete", address, {}).status_code == 405


def test_a_switch_brings_its_ports_and_a_smaller_one_takes_some_away(closet: Closet, client: Client) -> None:
    large, small = (factories.make_model(DeviceModel.Kind.SWITCH, port_count=count) for count in (8, 4))
    made = post(
        client, "switches", {"closet_id": closet.pk, "name": "SW 9", "model_id": large.pk, "change": WHY}
    )
    switch = Switch.objects.get(pk=made.json()["id"])
    patch(client, f"switches/{switch.pk}", {"model_id": small.pk, "change": WHY}, made["ETag"])
    assert len(get(client, "switch-ports", switch_id=switch.pk)["items"]) == 4
    gateway = factories.make_gateway(closet, name="GW 9")
    port = switch.ports.filter(end_step__isnull=True).first()
    endpoint_move(factories.change(closet.site, happened_on=LATER), endpoint=gateway, port=port)
    address = f"switches/{switch.pk}"
    answer = refused(client, "delete", address, {"change": WHY}, etag_of(client, address))
    assert answer.status_code == 409
    assert "GW 9" in answer.json()["detail"]


# --- outputs ------------------------------------------------------------------------------------------------


def test_outputs(hall: Hall, client: Client) -> None:
    items = get(client, "outputs", endpoint_id=hall.gateway.pk, expand="endpoint")["items"]
    assert [(item["number"], item["endpoint"]["name"]) for item in items] == [(1, "GW 1"), (2, "GW 1")]
    made = post(
        client, "outputs", {"endpoint_id": hall.gateway.pk, "number": 3, "terminal": "screw", "change": WHY}
    )
    address = f"outputs/{made.json()['id']}"
    altered = patch(client, address, {"terminal": "jack", "change": WHY}, made["ETag"])
    assert altered.json()["terminal"] == "jack"
    assert [item["number"] for item in get(client, "outputs", terminal="jack")["items"]] == [3]
    delete(client, address, {"change": WHY}, altered["ETag"])
    assert len(get(client, "outputs", endpoint_id=hall.gateway.pk)["items"]) == 2
    used = refused(
        client,
        "delete",
        f"outputs/{items[0]['id']}",
        {"change": WHY},
        etag_of(client, f"outputs/{items[0]['id']}"),
    )
    assert used.status_code == 409
    assert "run R1" in used.json()["detail"]
