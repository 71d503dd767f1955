"""The sheet of a closet and the survey of a site over REST: as described, in order, and never a code."""

from __future__ import annotations

import datetime as dt
import json

import pytest
from django.test import Client

from sites.changes.services import change_set_accept, change_set_draft, change_set_revise, change_set_withdraw
from sites.models import Basis, Secret
from sites.models.access import User
from sites.services.closets import closet_add, closet_alter
from sites.services.endpoints import endpoint_alter
from sites.services.power import supply_add
from sites.services.secrets import secret_add
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import get
from tests.halls import Hall
from zones.models import Case, Zone
from zones.recheck.batch import recheck
from zones.services.landings import PairUse, landing_add
from zones.services.paging_sets import paging_set_add
from zones.services.zones import zone_alter

BUILT = factories.BUILT_ON
LATER = BUILT + dt.timedelta(days=100)


@pytest.fixture
def client(dispatcher: User, with_token: Caller) -> Client:
    return with_token(dispatcher)


@pytest.mark.django_db(transaction=True)
def test_the_sheet_is_as_described_with_all_there_can_be_on_it(hall: Hall, client: Client) -> None:
    change = factories.change(hall.site)
    landing_add(change, block=hall.block, row=1, pair=1, carries=PairUse.DC, run=hall.run)
    factories.make_amplifier(hall.closet)
    factories.make_coverage(factories.make_contract(hall.site.customer, reference="M 7"), hall.site)
    factories.make_points(
        hall.run, 12, hall.speaker, length_m=1.0, current_basis=Basis.MEASURED, happened_on=LATER
    )
    assert not recheck([hall.site.pk]).failed
    Case.objects.filter(site=hall.site).update(ticket_reference="T-88")
    sheet = get(client, f"closets/{hall.closet.pk}/sheet")
    assert sheet["closet"] == {"id": hall.closet.pk, "name": hall.closet.name}
    assert sheet["contract"]["reference"] == "M 7"
    finding = next(one for one in sheet["findings"] if one["code"] == "supply_current")
    assert finding["subject"] == {"kind": "supply", "id": hall.supply.pk, "name": "supply PS 1"}
    assert finding["attribution"]["sentence"].startswith("Between ") or finding["attribution"]["change"]
    case = next(one for one in sheet["cases"] if one["id"] == finding["case_id"])
    assert (case["ticket_reference"], finding["id"] in case["finding_ids"]) == ("T-88", True)
    assert [zone["name"] for zone in sheet["zones"]] == ["Gangway", "Ticket hall"]
    assert sheet["zones"][0]["tightest"]["headroom"] == "30 % past its limit"
    assert sheet["runs"][0]["isolation"]["clips"][0]["to_pull"] == [1, 2]
    assert sheet["changes"][0]["actor"] == factories.INTEGRATOR
    # Read from top to bottom, it begins with what may cost a life
    assert list(sheet)[4:7] == ["life_safety", "cautions", "summary"]


def test_the_caution_of_life_safety_stands_first_in_the_answer(hall: Hall, client: Client) -> None:
    zone_alter(factories.change(hall.site), zone=hall.gangway, life_safety=Zone.LifeSafety.YES)
    factories.make_amplifier(hall.closet)
    codes = [one["code"] for one in get(client, f"closets/{hall.closet.pk}/sheet")["cautions"]]
    assert codes[0] == "life_safety"
    assert {"line_voltage", "disconnect", "wiring_classes"} <= set(codes)


def test_where_the_key_hangs_is_on_the_sheet_and_in_no_list_or_change(hall: Hall, client: Client) -> None:
    where = "third hook behind the ice machine"
    closet_alter(factories.change(hall.site), closet=hall.closet, key_location=where)
    assert where in json.dumps(get(client, f"closets/{hall.closet.pk}/sheet"))
    assert where not in json.dumps(get(client, "closets"))
    assert where not in json.dumps(get(client, f"closets/{hall.closet.pk}"))
    written = get(client, "changes", table="closet")["items"]
    assert written
    for one in written:
        rows = get(client, f"changes/{one['id']}")
        assert where not in json.dumps(rows)
        assert rows["new_rows"][0]["name"] == hall.closet.name, "the rest of the row is shown"


def test_where_the_key_hangs_is_in_no_operation_that_was_accepted(
    hall: Hall, manager: User, with_token: Caller, logged_in: Caller
) -> None:
    """Not even for a manager."""
    where = "third hook behind the ice machine"
    altered = closet_alter(
        factories.change(hall.site), closet=hall.closet, key_location=where, note="two doors"
    ).change_set
    added = closet_add(factories.change(hall.site), name="IDF 7", key_location=where).change_set
    client = with_token(manager)
    for made, kept in ((altered, "two doors"), (added, "IDF 7")):
        address = f"change-sets/{made.pk}"
        expanded = get(client, "changes", change_set_id=str(made.pk), expand="change_set")
        shown = [get(client, address), get(client, "change-sets"), expanded]
        html = logged_in(manager).get(f"/changes/{made.pk}").content.decode()
        for said in (*map(json.dumps, shown), html):
            assert where not in said
            assert kept in said, "the rest of the operation is shown"


def test_a_draft_says_where_the_key_hangs_to_those_who_may_revise_it(
    hall: Hall, client: Client, technician: User, with_token: Caller, logged_in: Caller
) -> None:
    where = "third hook behind the ice machine"
    body = {"op": "closet.alter", "closet_id": hall.closet.pk, "key_location": where, "note": "two doors"}
    made = change_set_draft(factories.change(hall.site), [body])
    address = f"change-sets/{made.pk}"
    writer = with_token(technician)
    assert get(writer, address)["operations"] == [body], "what is sent back is whole"
    assert where in logged_in(technician).get(f"/changes/{made.pk}").content.decode()
    assert where not in json.dumps(get(writer, "change-sets")), "in no list"
    only_reads = with_token(technician, ["record:read"])
    for reading in (client, only_reads):
        assert get(reading, address)["operations"] == [
            {name: part for name, part in body.items() if name != "key_location"}
        ]
    withdrawn = change_set_withdraw(change_set=made)
    assert where in json.dumps(get(writer, address)), "it can be made a draft again"
    change_set_accept(change_set=change_set_revise(change_set=withdrawn, reason="agreed"), user=technician)
    assert where not in json.dumps(get(writer, address))


def test_it_never_holds_a_code(hall: Hall, client: Client, manager: User) -> None:
    secret_add(
        user=manager,
        site=hall.site,
        closet=hall.closet,
        label="door in the yard",
        code="heron-4711",
        kind=Secret.Kind.DOOR,
    )
    sheet = get(client, f"closets/{hall.closet.pk}/sheet")
    assert sheet["reach"]["codes"]["door"] == 1
    assert "heron" not in json.dumps(sheet)
    assert "door in the yard" not in json.dumps(sheet), "a label may say more than it should"


def test_as_of_a_day(hall: Hall, client: Client) -> None:
    address = f"closets/{hall.closet.pk}/sheet"
    second = supply_add(
        factories.change(hall.site, happened_on=LATER), closet=hall.closet, name="PS 2"
    ).result

    def supplies(**query: str) -> list[int]:
        return [one["id"] for one in get(client, address, **query)["supplies"]]

    assert supplies() == supplies(as_of=LATER.isoformat()) == [hall.supply.pk, second.pk]
    assert supplies(as_of=BUILT.isoformat()) == [hall.supply.pk]
    early = client.get(f"/api/v1/{address}", {"as_of": (BUILT - dt.timedelta(days=1)).isoformat()})
    assert early.status_code == 404
    assert "it began on" in early.json()["detail"]
    assert client.get(f"/api/v1/{address}", {"as_of": "today"}).json()["errors"][0]["parameter"] == "as_of"


def test_the_survey_of_a_site(hall: Hall, client: Client) -> None:
    bare = supply_add(factories.change(hall.site), closet=hall.closet, name="PS 9").result
    run = factories.make_run(hall.block, name="R7", zone=hall.zone, supply=bare)
    factories.make_points(run, 1, hall.speaker)
    survey = get(client, f"sites/{hall.site.pk}/survey")
    question = next(
        one
        for one in survey["items"]
        if one["figure"]["code"] == "supply_current" and one["figure"]["subject"]["id"] == bare.pk
    )
    assert "which model supply PS 9 is" in question["missing"]
    assert question["figure"]["limit"] is None
    assert survey["summary"].endswith("or a rating is missing. 1 question for people at the site.")
    assert survey["to_check"] == []
    life_safety = "Which zones serve life safety? Not recorded for zones Gangway and Ticket hall."
    assert survey["to_ask"] == [life_safety]
    assert get(client, f"sites/{hall.site.pk}/survey", as_of=BUILT.isoformat())["as_of"] == BUILT.isoformat()
    # IEEE 802.3: class 2 may draw 6.49 W
    paging_set_add(factories.change(hall.site), name="halls", zones=[hall.zone])
    endpoint_alter(factories.change(hall.site), endpoint=hall.gateway, negotiated_power_w=9.0)
    (to_check,) = get(client, f"sites/{hall.site.pk}/survey")["to_check"]
    first, to_ask = get(client, f"sites/{hall.site.pk}/survey")["to_ask"]
    assert first == life_safety
    assert to_ask.startswith("Zone Gangway is in no paging set")
    assert to_check.startswith(f"Endpoint {hall.gateway.name}: 9 W by LLDP, 6.49 W by class.")


@pytest.mark.parametrize("address", ["closets/{closet}/sheet", "sites/{site}/survey"])
def test_an_outsider_sees_nothing_of_it(hall: Hall, outsider: User, with_token: Caller, address: str) -> None:
    client = with_token(outsider)
    ours = client.get(f"/api/v1/{address.format(closet=hall.closet.pk, site=hall.site.pk)}")
    never = client.get(f"/api/v1/{address.format(closet=999999999, site=999999999)}")
    assert ours.status_code == never.status_code == 404
    assert ours.json()["detail"] == never.json()["detail"]
