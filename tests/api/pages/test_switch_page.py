"""The page of a switch: whose it is, its power by port, and who loses power first."""

from __future__ import annotations

import re

import pytest
from django.http import HttpResponse
from django.test import Client

from api.pages.days import in_sentence
from sites.models import DeviceModel, Switch, User
from sites.services.catalogue import device_model_alter
from sites.services.switches import switch_alter, switch_correct, switch_end
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import MOST_BYTES, facts_of, html_of, queries_of, text_of
from tests.api.v1.test_switch_power import connect
from tests.halls import Hall
from zones.models import Test, Zone
from zones.recheck.batch import check
from zones.services.zones import zone_alter


@pytest.mark.parametrize(
    ("owner", "said", "reversed_"),
    [
        (Switch.Owner.CUSTOMER, "Owner: customer. Do not touch.", True),
        (Switch.Owner.UNKNOWN, "Owner: not recorded. Do not touch.", True),
        (Switch.Owner.INTEGRATOR, "Owner: integrator.", False),
    ],
)
def test_whose_it_is_is_said_before_anything_else(
    hall: Hall, client: Client, owner: Switch.Owner, said: str, reversed_: bool
) -> None:
    switch_alter(factories.change(hall.site), switch=hall.switch, owner=owner)
    html = html_of(client, f"switches/{hall.switch.pk}")
    assert text_of(html).index(said) < text_of(html).index("Life safety not recorded")
    assert (f'<p class="notice"><b>{said}</b></p>' in html) is reversed_


def test_each_port_names_its_device_and_the_zones_that_fall_silent_with_it(
    hall: Hall, client: Client
) -> None:
    """The gateway of class 2, 7 W, on port 3, which drives both zones, and a class not recorded, 15.4 W."""
    zone_alter(factories.change(hall.site), zone=hall.gangway, life_safety=Zone.LifeSafety.YES)
    connect(hall.switch, 1, None)
    html = html_of(client, f"switches/{hall.switch.pk}")
    rows = [
        text_of(row).strip().replace(" ,", ",")
        for row in re.findall(r"<tr id=.*?</tr>", html, flags=re.DOTALL)
    ]
    unknown, gateway = rows
    assert unknown == "1 low NS 1 counted 15.4 W, class not recorded together 15.4 W"
    assert gateway.startswith("3 low GW 1 Gangway, life safety yes; Ticket hall, life safety not recorded ")
    assert gateway.endswith("7 W, class 2 together 22.4 W")
    assert f'<a href="/endpoints/{hall.gateway.pk}">GW 1</a>' in html
    assert '<svg class="drawing poe"' in html
    text = text_of(html)
    assert "22.4 W allocated to 2 ports; budget 65 W." in text
    assert "Ports 2 and 4 to 8: nothing recorded." in text


def test_a_port_that_is_expected_to_lose_power_says_so_and_the_switch_says_since_when(
    hall: Hall, client: Client
) -> None:
    """7 W on port 3 and 15.4 W on port 5 of a budget of 20 W: 22.4 W."""
    model = factories.make_model(DeviceModel.Kind.SWITCH, poe_budget_w=20.0)
    switch_correct(factories.change(hall.site, kind="correction"), switch=hall.switch, model=model)
    connect(hall.switch, 5, 3)
    check([hall.site.pk])
    html = html_of(client, f"switches/{hall.switch.pk}")
    assert '<h1>Switch SW 1 <span class="verdict past">Past</span></h1>' in html
    rows = re.findall(r"<tr id=.*?</tr>", html, flags=re.DOTALL)
    assert ["Expected to lose power" in row for row in rows] == [False, True]
    finding = client.get(f"/api/v1/findings?site_id={hall.site.pk}&code=poe_allocated").json()["items"][0]
    assert in_sentence(finding["attribution"]["sentence"]) in text_of(html)


def test_what_is_past_at_a_port_is_said_on_the_page_of_its_switch(hall: Hall, client: Client) -> None:
    """A device of class 4 asks for 30 W, and a port of type 1 delivers 15.4 W."""
    connect(hall.switch, 5, 4, port_type=1)
    check([hall.site.pk])
    html = html_of(client, f"switches/{hall.switch.pk}")
    (row,) = re.findall(r'<tr id="port-5">.*?</tr>', html, flags=re.DOTALL)
    assert "NS 5 Past" in text_of(row)
    finding = client.get(f"/api/v1/findings?site_id={hall.site.pk}&code=port_type").json()["items"][0]
    assert finding["sentence"] in text_of(html)


def test_a_switch_says_what_is_recorded_of_it_and_its_model(hall: Hall, client: Client) -> None:
    facts = facts_of(html_of(client, f"switches/{hall.switch.pk}"))
    assert facts["Serial"] == "not recorded"
    assert facts["PoE budget"] == "65 W"
    assert facts["Port type"] == "2"


def test_a_switch_that_has_ended_is_shown_as_it_last_was(hall: Hall, client: Client) -> None:
    spare = factories.make_switch(hall.closet, name="SW 8", serial="S-117")
    switch_end(factories.change(hall.site), switch=spare)
    html = html_of(client, f"switches/{spare.pk}")
    assert "Ended on 4 Mar 2024." in text_of(html)
    assert "Power by port" not in html
    assert facts_of(html)["Serial"] == "S-117"


def test_a_switch_with_all_ports_in_use_costs_no_more_queries(hall: Hall, client: Client) -> None:
    check([hall.site.pk])
    path = f"switches/{hall.switch.pk}"
    connect(hall.switch, 1, 2)
    html_of(client, path)  # it is noted as opened last
    few, _ = queries_of(client, path)
    for number in (2, 4, 5, 6, 7, 8):
        connect(hall.switch, number, 2)
    check([hall.site.pk])
    many, html = queries_of(client, path)
    assert html.count("<tr id=") == 8
    assert many <= few <= 36
    assert len(html) <= MOST_BYTES


# --- a pasted table -----------------------------------------------------------------------------------------

PRINTED = "Grp  Power (W)\r\n1    20\r\n2    15.5"


def paste(client: Client, hall: Hall, **said: str) -> HttpResponse:
    typed = {
        "text": PRINTED, "state": "idle", "taken_on": factories.BUILT_ON.isoformat(), "taken_at": "03:15",
        "watts": "Power (W)", "group": "Grp", "port": "", "act": "paste",
    }  # fmt: skip
    sent = {**typed, **said, "csrfmiddlewaretoken": "c" * 32}
    return client.post(f"/switches/{hall.switch.pk}", sent)  # type: ignore[return-value]


def test_a_table_that_is_pasted_becomes_tests_and_is_shown(
    hall: Hall, technician: User, logged_in: Caller
) -> None:
    theirs = logged_in(technician)
    answer = paste(theirs, hall)
    assert (answer.status_code, answer["Location"]) == (303, f"/switches/{hall.switch.pk}#readings")
    assert [*Test.objects.order_by("power_group").values_list("power_group", "value", "technician")] == [
        (1, 20.0, technician.get_full_name()),
        (2, 15.5, technician.get_full_name()),
    ]
    day = "4 Mar 2024"
    shown = text_of(html_of(theirs, f"switches/{hall.switch.pk}"))
    assert f"Power read off it {day} 03:15, idle, group 2: 15.5 W {day} 03:15, idle, group 1: 20 W" in shown


def test_what_is_wrong_with_a_pasted_table_stands_beside_it_and_nothing_typed_is_lost(
    hall: Hall, technician: User, logged_in: Caller
) -> None:
    answer = paste(logged_in(technician), hall, text=PRINTED.replace("15.5", "n/a"), state="")
    assert answer.status_code == 400
    html = answer.content.decode()
    assert "Line 3, column Power (W): expected watts from 0 to 10000" in text_of(html)
    assert "2    n/a</textarea>" in html
    assert 'value="03:15"' in html
    assert "<details open>" in html
    assert not Test.objects.exists()


def test_the_headings_of_the_model_stand_in_the_form(hall: Hall, technician: User, logged_in: Caller) -> None:
    theirs = logged_in(technician)
    answer = paste(theirs, hall, watts="", group="")
    assert answer.status_code == 400
    assert "Say what the columns are called" in text_of(answer.content.decode())
    model = hall.switch.facts.get().model
    device_model_alter(factories.change(), device_model=model, watts_heading="Power (W)", group_heading="Grp")
    html = html_of(theirs, f"switches/{hall.switch.pk}")
    assert 'name="watts" value="Power (W)"' in html
    assert paste(theirs, hall, watts="", group="").status_code == 303


def test_who_may_not_record_tests_has_no_form(
    hall: Hall, client: Client, technician: User, logged_in: Caller
) -> None:
    """A dispatcher; and nobody on a past day."""
    address, form = f"switches/{hall.switch.pk}", 'value="paste"'
    theirs = logged_in(technician)
    assert form in html_of(theirs, address)
    assert form not in html_of(theirs, address, on=factories.BUILT_ON.isoformat())
    assert form not in html_of(client, address)
    assert paste(client, hall).status_code == 403
    assert not Test.objects.exists()
