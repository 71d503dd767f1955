"""``POST /switches/{id}/power-readings``: what a program reads off a switch becomes a test a supply group."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client

from sites.access.abilities import Ability
from sites.models import Switch, User
from sites.services.customers import customer_alter
from sites.services.switches import switch_correct, switch_end
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import ROOT, etag_of, get, patch, post
from tests.halls import Hall
from zones.models import Test

DAY = factories.BUILT_ON + dt.timedelta(days=100)
WHY = {"reason": "nightly reading", "happened_on": DAY.isoformat()}
TWO_GROUPS = [{"power_group": 1, "value": 20.0}, {"power_group": 2, "value": 15.5}]


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    """A program that may record tests and nothing else."""
    return with_token(technician, [Ability.READ_RECORD, Ability.WRITE_TESTS])


@pytest.fixture
def boss(with_token: Caller) -> Client:
    """A manager of all customers."""
    return with_token(factories.make_user(User.Role.MANAGER, all_customers=True))


def body(**said: Any) -> dict[str, Any]:
    return {"taken_on": DAY.isoformat(), "state": "paging", "groups": TWO_GROUPS, "change": WHY, **said}


def send(client: Client, switch: Switch | int, key: str = "", **said: Any) -> Any:
    pk = switch if isinstance(switch, int) else switch.pk
    headers = {"Idempotency-Key": key} if key else {}
    return client.post(
        f"{ROOT}/switches/{pk}/power-readings", body(**said), content_type="application/json", headers=headers
    )


def test_each_group_becomes_a_test_of_its_kind(hall: Hall, client: Client) -> None:
    address = f"switches/{hall.switch.pk}/power-readings"
    made = post(client, address, body(taken_at="03:15", unit="W", instrument="collector 2")).json()
    first, second = made["items"]
    assert (first["kind"], first["switch_id"], first["power_group"]) == ("poe_power", hall.switch.pk, 1)
    assert (first["value"], first["unit"], first["state"]) == (20.0, "W", "paging")
    assert (first["taken_on"], first["taken_at"]) == (DAY.isoformat(), "03:15")
    assert (second["power_group"], second["value"], second["instrument"]) == (2, 15.5, "collector 2")
    assert set(Test.objects.values_list("change_set", flat=True)) == {made["change_set_id"]}
    listed = get(client, "tests", switch_id=hall.switch.pk, order="id")["items"]
    assert listed == made["items"]  # as the list of tests shows them


def test_the_switch_is_judged_by_the_sum_of_its_groups(hall: Hall, client: Client) -> None:
    assert send(client, hall.switch).status_code == 201
    measured = get(client, f"switches/{hall.switch.pk}/power", as_of=DAY.isoformat())["measured"]
    assert (measured["power_w"], measured["paging"]) == (20.0 + 15.5, True)


def test_the_switch_as_a_whole_is_a_test_without_a_group(hall: Hall, client: Client) -> None:
    assert send(client, hall.switch, groups=[{"power_group": None, "value": 33}]).status_code == 201
    assert Test.objects.get().power_group is None


def test_a_test_recorded_by_a_person_says_the_same(hall: Hall, client: Client) -> None:
    (by_program,) = send(client, hall.switch, groups=TWO_GROUPS[:1]).json()["items"]
    said = {"kind": "poe_power", "state": "paging", "taken_on": DAY.isoformat(), "switch_id": hall.switch.pk}
    by_person = post(client, "tests", {**said, **TWO_GROUPS[0], "change": WHY}).json()
    own = ("id", "change_set_id", "created_at")
    assert {k: v for k, v in by_person.items() if k not in own} == {
        k: v for k, v in by_program.items() if k not in own
    }


def test_a_reading_that_is_sent_again_is_recorded_once(hall: Hall, client: Client) -> None:
    first, second = (send(client, hall.switch, key="reading-0001-of-sw-1") for _ in range(2))
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.json() == second.json()
    assert Test.objects.count() == 2
    other = send(client, hall.switch, key="reading-0001-of-sw-1", state="idle")
    assert (other.status_code, other.json()["code"]) == (422, "key_reused")


@pytest.mark.parametrize(
    ("said", "pointer", "stated"),
    [
        ({"taken_on": (DAY + dt.timedelta(days=1)).isoformat()}, "/taken_on", "after the day of this change"),
        ({"taken_on": None}, "/taken_on", "expected a day"),
        ({"taken_at": "25:00"}, "/taken_at", "expected a time of day"),
        ({"state": None}, "/state", "expected one of"),
        ({"state": "idle", "signal": "tone"}, "/signal", "idle test is taken without a tone"),
        ({"unit": "mW"}, "/unit", "is in W, not in mW: convert it"),
        ({"groups": []}, "/groups", "expected a list of 1 to 100 groups; there are 0; or a table"),
        ({"groups": {"1": 20}}, "/groups", "expected a list of 1 to 100 groups"),
        ({"groups": [1]}, "/groups/0", "Expected a JSON object"),
        ({"groups": [{"value": 20}]}, "/groups/0/power_group", "power_group is missing"),
        ({"groups": [{"power_group": 1}]}, "/groups/0/value", "value is missing"),
        ({"groups": [*TWO_GROUPS, {"power_group": 1000, "value": 1}]}, "/groups/2/power_group", "0 to 999"),
        ({"groups": [{"power_group": 1, "value": -1}]}, "/groups/0/value", "from 0 to 10000"),
        ({"groups": [{"power_group": 1, "power_mw": 20}]}, "/groups/0/power_mw", "There is no 'power_mw'"),
        ({"groups": [*TWO_GROUPS, TWO_GROUPS[0]]}, "/groups/2/power_group", "Group 1 stands twice"),
        (
            {"groups": [*TWO_GROUPS, {"power_group": None, "value": 35.5}]},
            "/groups/2/power_group",
            "null is the switch as a whole",
        ),
        ({"kind": "poe_power"}, "/kind", "There is no 'kind' here"),
        ({"change": None}, "/change", "expected a JSON object"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(
    hall: Hall, client: Client, said: dict[str, Any], pointer: str, stated: str
) -> None:
    answer = send(client, hall.switch, **said)
    assert answer.status_code == 400, answer.content
    found = [(error["pointer"], error["detail"]) for error in answer.json()["errors"]]
    assert [place for place, _ in found].count(pointer) == 1, found
    assert stated in dict(found)[pointer]
    assert not Test.objects.exists()


def test_what_no_port_can_deliver_is_refused(hall: Hall, client: Client) -> None:
    """90 W is the most that a port delivers (IEEE 802.3 clause 145, class 8 at the source)."""
    ports = hall.switch.ports.count()
    most_w = 90.0 * ports
    groups: list[dict[str, Any]] = [{"power_group": 1, "value": most_w - 10}, {"power_group": 2, "value": 10}]
    assert send(client, hall.switch, groups=groups).status_code == 201
    groups[1]["value"] = 10.5
    answer = send(client, hall.switch, groups=groups)
    assert answer.status_code == 400
    (error,) = answer.json()["errors"]
    assert error["pointer"] == "/groups"
    assert f"{ports} ports can deliver {most_w:g} W at most" in error["detail"]
    assert "Send watts, not milliwatts." in error["detail"]


# --- tables as switches print them --------------------------------------------------------------------------

PRINTED = """\
Grp  State       Power (W)
1    delivering  20
2    delivering  15.5
"""
HEADINGS = {"group": "Grp", "watts": "Power (W)"}


def paste(client: Client, switch: Switch, text: str = PRINTED, **said: Any) -> Any:
    sent = {**body(text=text, **said)}
    del sent["groups"]
    return client.post(f"{ROOT}/switches/{switch.pk}/power-readings", sent, content_type="application/json")


def test_a_printed_table_becomes_the_same_tests(hall: Hall, client: Client) -> None:
    assert paste(client, hall.switch, headings=HEADINGS).status_code == 201
    found = Test.objects.order_by("power_group").values_list("kind", "power_group", "value", "state")
    assert [*found] == [("poe_power", 1, 20.0, "paging"), ("poe_power", 2, 15.5, "paging")]


def test_the_headings_are_named_once_for_each_model(hall: Hall, client: Client, boss: Client) -> None:
    """A manager of all customers names them in the catalogue; from then on nobody does."""
    unnamed = paste(client, hall.switch)
    assert unnamed.status_code == 400
    (error,) = unnamed.json()["errors"]
    model_id = get(client, f"switches/{hall.switch.pk}")["model_id"]
    assert error["pointer"] == "/headings"
    assert f"PATCH /catalogue/devices/{model_id}" in error["detail"]
    assert "The first line is “Grp State Power (W)”." in error["detail"]
    address = f"catalogue/devices/{model_id}"
    named = {"group_heading": "Grp", "watts_heading": "Power (W)", "change": {"reason": "its manual"}}
    patch(boss, address, named, etag_of(boss, address))
    assert paste(client, hall.switch).status_code == 201
    assert [one.value for one in Test.objects.order_by("power_group")] == [20.0, 15.5]
    twin = factories.make_switch(hall.closet, hall.switch.facts.get().model, name="SW 2")
    assert paste(client, twin).status_code == 201
    # Another print of the same switch has other headings
    other = PRINTED.replace("Power (W)", "Watts")
    refused = paste(client, hall.switch, other)
    assert "No line has the headings “Grp” and “Power (W)”" in refused.json()["detail"]
    assert paste(client, hall.switch, other, headings={**HEADINGS, "watts": "Watts"}).status_code == 201


def test_ports_without_groups_are_the_switch_as_a_whole(hall: Hall, client: Client) -> None:
    """The record does not know which group feeds a port."""
    text = "Port,Watts\n1,6.1\n2,12.4"
    made = paste(client, hall.switch, text, headings={"port": "Port", "watts": "Watts"}).json()
    assert [(one["power_group"], one["value"]) for one in made["items"]] == [(None, 18.5)]


@pytest.mark.parametrize(
    ("said", "pointer", "stated"),
    [
        ({"text": PRINTED.replace("15.5", "n/a")}, "/text", "Line 3, column Power (W): expected watts"),
        ({"text": ""}, "/text", "expected a text of 1 to 100000 characters"),
        ({"text": 5}, "/text", "expected a text"),
        ({"headings": ["Grp"]}, "/headings", "expected a JSON object"),
        ({"headings": {"group": "Grp"}}, "/headings/watts", "watts is missing"),
        ({"headings": {**HEADINGS, "ports": "P"}}, "/headings/ports", "Did you mean"),
        ({"groups": TWO_GROUPS}, "/text", "Give groups, or the text of a table; not both"),
        ({"taken_on": "yesterday"}, "/taken_on", "expected a day"),
        ({"text": PRINTED.replace("15.5", "9999")}, "/text", "Send watts, not milliwatts"),
    ],
)
def test_what_is_wrong_with_a_table_is_said(
    hall: Hall, client: Client, said: dict[str, Any], pointer: str, stated: str
) -> None:
    whole = {**body(), "text": PRINTED, "headings": HEADINGS}
    del whole["groups"]
    answer = client.post(
        f"{ROOT}/switches/{hall.switch.pk}/power-readings", {**whole, **said}, content_type="application/json"
    )
    assert answer.status_code == 400, answer.content
    found = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert stated in found[pointer]
    assert not Test.objects.exists()


def test_headings_without_a_text_are_refused(hall: Hall, client: Client) -> None:
    answer = send(client, hall.switch, headings=HEADINGS)
    (error,) = answer.json()["errors"]
    assert (answer.status_code, error["code"], error["pointer"]) == (400, "required", "/text")


def test_neither_groups_nor_text_is_refused(hall: Hall, client: Client) -> None:
    body = {"taken_on": "2026-11-24", "state": "idle", "change": {"reason": "nightly reading"}}
    address = f"{ROOT}/switches/{hall.switch.pk}/power-readings"
    answer = client.post(address, body, content_type="application/json")
    (error,) = answer.json()["errors"]
    assert (answer.status_code, error["code"], error["pointer"]) == (400, "required", "/groups")


def test_a_switch_of_no_known_model_has_its_headings_named(hall: Hall, client: Client) -> None:
    bare = factories.make_switch(hall.closet, name="SW 3")
    switch_correct(factories.change(hall.site), switch=bare, model=None)
    answer = paste(client, bare)
    assert "the model of this switch is not recorded" in answer.json()["detail"]
    assert paste(client, bare, headings=HEADINGS).status_code == 201


def test_a_switch_out_of_scope_does_not_exist(hall: Hall, outsider: User, with_token: Caller) -> None:
    client = with_token(outsider)
    theirs, nobodys = send(client, hall.switch), send(client, 999_999_999)
    assert (theirs.status_code, nobodys.status_code) == (404, 404)
    assert theirs.json()["detail"] == nobodys.json()["detail"]
    assert not Test.objects.exists()


def test_a_switch_that_was_taken_out_delivers_nothing_any_more(hall: Hall, client: Client) -> None:
    bare = factories.make_switch(hall.closet, name="SW 2")
    switch_end(factories.change(hall.site), switch=bare)
    answer = send(client, bare)
    assert answer.status_code == 409, answer.content
    assert not Test.objects.exists()


def test_technicians_who_may_only_draft_still_read_switches(hall: Hall, client: Client) -> None:
    customer_alter(factories.change(), customer=hall.site.customer, technicians_accept=False)
    assert send(client, hall.switch).status_code == 201
