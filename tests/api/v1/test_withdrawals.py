"""What was recorded by mistake is withdrawn over REST, and is in no answer any more."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from sites.models import Event
from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import ROOT, as_described, etag_of, get, post
from tests.halls import Hall, more_speakers
from zones.electrical.subjects import SubjectKind
from zones.findings.event_kinds import EventKind
from zones.models import Figures, Finding
from zones.recheck.batch import check
from zones.services.points import point_append

WHY = {"reason": "two more horns"}


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def recorded(client: Client, hall: Hall, operations: list[dict[str, Any]], **said: Any) -> Any:
    body = {"site_id": hall.site.pk, "reason": "more sound", "operations": operations, **said}
    draft = post(client, "change-sets", body)
    address = f"change-sets/{draft.json()['id']}/accept"
    return post(client, address, {}, status=200, etag=draft["ETag"]).json()


def withdrawn(client: Client, change_set_id: int, reason: str = "typed twice") -> Any:
    address = f"change-sets/{change_set_id}"
    tag = etag_of(client, address)
    return post(client, f"{address}/withdraw", {"reason": reason}, status=200, etag=tag).json()


def test_what_it_made_is_in_no_list_load_history_or_sheet(hall: Hall, client: Client) -> None:
    def shown() -> list[Any]:
        asked = [
            get(client, "points", run_id=hall.run.pk, page_size=500),
            get(client, f"zones/{hall.zone.pk}/load"),
            get(client, f"zones/{hall.zone.pk}/history"),
            get(client, f"closets/{hall.closet.pk}/sheet"),
            get(client, "search", q="Loading ramp"),
        ]
        asked[3].pop("printed_at", None)
        return asked

    before = shown()
    made = recorded(
        client,
        hall,
        [*more_speakers(hall), {"op": "closet.add", "name": "Loading ramp"}],
    )
    assert shown() != before
    answer = withdrawn(client, made["id"])
    assert (answer["state"], answer["withdrawal"]["actor"], answer["withdrawal"]["reason"]) == (
        "withdrawn",
        "Rune Vale",
        "typed twice",
    )
    assert shown() == before
    supply = next(item for item in answer["effect"]["items"] if item["code"] == "supply_current")
    # by hand: 52 speakers at 40 mA, then 40 again
    assert (supply["before"]["likely"], supply["after"]["likely"]) == pytest.approx((2.08, 1.60))


def test_its_addresses_say_that_it_was_withdrawn(
    hall: Hall, client: Client, outsider: User, with_token: Caller
) -> None:
    made = post(client, "points", {"run_id": hall.run.pk, "change": WHY}).json()
    (latest,) = get(client, "change-sets", site_id=hall.site.pk, order="-id", page_size=1)["items"]
    withdrawn(client, latest["id"])
    gone = client.get(f"{ROOT}/points/{made['id']}")
    assert gone.status_code == 404
    said = as_described(gone, "get")["detail"]
    assert said.startswith(f"The point {made['id']} is not there: change set {latest['id']} of ")
    assert "“two more horns” (Rune Vale) recorded it, and was withdrawn on " in said
    assert said.endswith("by Rune Vale: “typed twice”.")
    other = with_token(outsider).get(f"{ROOT}/points/{made['id']}")
    never = with_token(outsider).get(f"{ROOT}/points/999999999")
    assert other.json()["detail"] == never.json()["detail"], "to them, nothing of it exists"


def test_it_is_shown_as_withdrawn_with_all_it_wrote(hall: Hall, client: Client) -> None:
    made = recorded(client, hall, more_speakers(hall, 1))
    assert made["withdrawal"] is None
    withdrawn(client, made["id"])
    listed = get(client, "change-sets", site_id=hall.site.pk, state="withdrawn")["items"]
    assert [(one["id"], one["withdrawal"]["reason"]) for one in listed] == [(made["id"], "typed twice")]
    assert len(listed[0]["operations"]) == 1
    changes = get(client, "changes", change_set_id=made["id"])["items"]
    assert sorted((one["table"], one["done"]) for one in changes) == [
        ("point", "added"),
        ("point", "removed"),
        ("point_facts", "added"),
        ("point_facts", "removed"),
    ]


def test_what_stands_in_the_way_is_a_409_that_names_it(hall: Hall, client: Client) -> None:
    made = recorded(client, hall, more_speakers(hall, 1))
    (point_id,) = made["results"][0]["ids"]
    point = hall.run.points.get(pk=point_id)
    point_append(factories.change(hall.site, happened_on=None, reason="one more"), run=hall.run, after=point)
    address = f"change-sets/{made['id']}"
    tag = etag_of(client, address)
    answer = client.post(
        f"{ROOT}/{address}/withdraw",
        {"reason": "no"},
        content_type="application/json",
        headers={"If-Match": tag},
    )
    assert answer.status_code == 409
    assert f"refers to point {point.name} (id {point_id})." in as_described(answer, "post")["detail"]
    without = client.post(
        f"{ROOT}/{address}/withdraw", {}, content_type="application/json", headers={"If-Match": tag}
    )
    assert without.status_code == 400
    assert without.json()["errors"][0]["pointer"] == "/reason"


def test_what_it_brought_about_is_cleared_and_told(hall: Hall, client: Client) -> None:
    contract = factories.make_contract(hall.site.customer)
    factories.make_coverage(contract, hall.site)
    check([hall.site.pk])
    made = recorded(client, hall, more_speakers(hall))
    check([hall.site.pk])
    finding = Finding.objects.get(code="supply_current", cleared_at__isnull=True)
    assert finding.case.change_set_id == made["id"]
    withdrawn(client, made["id"])
    check([hall.site.pk])
    finding.refresh_from_db()
    assert finding.cleared_at is not None
    kinds = list(Event.objects.order_by("id").values_list("kind", flat=True))
    assert EventKind.CHANGE_SET_WITHDRAWN in kinds
    told = Event.objects.get(kind=EventKind.CHANGE_SET_WITHDRAWN)
    assert told.body["withdrawal"] == {"actor": "Rune Vale", "reason": "typed twice"}
    assert told.subject == f"change-sets/{made['id']}"
    assert kinds[-1] == "case.cleared"


def test_a_finding_of_a_withdrawn_thing_is_cleared_and_can_be_read(hall: Hall, client: Client) -> None:
    made = recorded(
        client,
        hall,
        [
            {"op": "run.add", "label": "r", "block_id": hall.block.pk, "name": "R9", "kind": "self_amplified",
             "zone_id": hall.zone.pk, "supply_id": hall.supply.pk},
            {"op": "point.append", "run_id": "@r", "model_id": hall.speaker.pk, "speech_current_a": 5.0,
             "current_basis": "measured", "length_m": 100.0, "length_basis": "measured"},
        ],
    )  # fmt: skip
    (run_id,) = made["results"][0]["ids"]
    check([hall.site.pk])
    of_the_run = Finding.objects.filter(site=hall.site, subject_id=run_id, code="run_voltage")
    assert of_the_run.filter(cleared_at__isnull=True).exists()
    withdrawn(client, made["id"])
    check([hall.site.pk])
    finding = of_the_run.get()
    assert finding.cleared_at is not None
    shown = get(client, f"findings/{finding.pk}")
    assert shown["state"] == "cleared"
    assert shown["subject"]["name"] == f"run {run_id}"
    figures = Figures.objects.filter(site=hall.site, subject_kind=SubjectKind.RUN)
    assert sorted(figures.values_list("subject_id", flat=True)) == [hall.run.pk, hall.gangway_run.pk]
