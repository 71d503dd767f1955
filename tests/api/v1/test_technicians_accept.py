"""A customer may have what technicians change looked at first: theirs are drafts then, which a manager
accepts, in every way of writing."""

from __future__ import annotations

import json
from typing import Any

import pytest
from django.db import transaction
from django.test import Client

from sites.changes.errors import DraftsOnly
from sites.changes.services import change_set_draft
from sites.models import Closet, Customer, Site
from sites.models.access import User
from sites.models.changes import ChangeSet, Withdrawal
from sites.services.customers import customer_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem
from tests.api.v1.asking import etag_of, get, patch, post
from tests.halls import Hall, more_speakers
from zones.planning.drafts import accept_draft

WHY = {"reason": "surveyed"}
A_MANAGER = "At sites of Strand Ferries a manager accepts what technicians change: "
DRAFT_IT = f"{A_MANAGER}send it as a draft (POST /api/v1/change-sets)."


def send(client: Client, method: str, address: str, body: Any, etag: str = "") -> Any:
    return client.generic(
        method,
        f"/api/v1/{address}",
        json.dumps(body),
        content_type="application/json",
        headers={"If-Match": etag} if etag else {},
    )


@pytest.fixture
def careful(customer: Customer, hall: Hall) -> Customer:
    """The customer of the hall, who has what technicians change looked at first."""
    customer_alter(factories.change(), customer=customer, technicians_accept=False)
    return customer


def written() -> int:
    return ChangeSet.objects.filter(state=ChangeSet.State.ACCEPTED).count()


def drawn_up(client: Client, site: Site, *operations: dict[str, Any]) -> Any:
    body = {"site_id": site.pk, "reason": "a plan", "operations": [*operations]}
    return post(client, "change-sets", body)


def test_unless_a_customer_says_so_technicians_write_at_once(
    hall: Hall, technician: User, with_token: Caller
) -> None:
    client = with_token(technician)
    body = {"site_id": hall.site.pk, "name": "MDF", "change": WHY}
    assert send(client, "POST", "closets", body).status_code == 201
    draft = drawn_up(client, hall.site, *more_speakers(hall, 1))
    post(client, f"change-sets/{draft.json()['id']}/accept", {}, status=200, etag=draft["ETag"])


@pytest.mark.parametrize("by_token", [True, False])
def test_every_write_of_a_technician_is_refused_and_says_to_send_a_draft(
    careful: Customer,
    hall: Hall,
    technician: User,
    with_token: Caller,
    logged_in: Caller,
    by_token: bool,
) -> None:
    client = with_token(technician) if by_token else logged_in(technician)
    before, run, closet = written(), hall.run.pk, hall.closet.pk
    for method, address, body in (
        ("POST", "closets", {"site_id": hall.site.pk, "name": "MDF"}),
        ("PATCH", f"closets/{closet}", {"room": "2.14"}),
        ("POST", "contacts", {"site_id": hall.site.pk, "role": "site", "name": "Ada"}),
        ("POST", "points", {"run_id": run, "after_id": hall.points[-1].pk, "model_id": hall.speaker.pk}),
        ("DELETE", f"points/{hall.points[-1].pk}", {}),
        ("PATCH", f"runs/{run}", {"note": "wet"}),
        ("POST", f"runs/{run}/correct", {"design_temperature_c": 40}),
        ("PATCH", f"sites/{hall.site.pk}", {"dangers": "forklifts"}),
    ):
        named = address.removesuffix("/correct")
        etag = "" if "/" not in named else etag_of(client, named)
        answer = send(client, method, address, {**body, "change": WHY}, etag)
        assert problem(answer, 403, "forbidden")["detail"] == DRAFT_IT, (method, address)
    assert written() == before


def test_a_technician_draws_up_and_a_manager_accepts(
    careful: Customer, hall: Hall, technician: User, manager: User, with_token: Caller
) -> None:
    theirs, ours, before = with_token(technician), with_token(manager), written()
    draft = drawn_up(theirs, hall.site, *more_speakers(hall, 1))
    address = f"change-sets/{draft.json()['id']}"
    assert theirs.post(f"/api/v1/{address}/evaluate", {}, content_type="application/json").status_code == 200
    refused = send(theirs, "POST", f"{address}/accept", {}, draft["ETag"])
    said = problem(refused, 403, "forbidden")["detail"]
    assert said == f"{A_MANAGER}it stays a draft until then."
    assert (get(theirs, address)["state"], written()) == ("draft", before)
    accepted = post(ours, f"{address}/accept", {}, status=200, etag=draft["ETag"]).json()
    assert (accepted["state"], accepted["accepted_by"]) == ("accepted", manager.get_full_name())
    assert accepted["actor"] == technician.get_full_name()


def test_a_new_site_is_of_the_customer_that_it_names(
    careful: Customer, technician: User, manager: User, with_token: Caller
) -> None:
    site = {"customer_id": careful.pk, "code": "g", "name": "G", "time_zone": "UTC"}
    answer = send(with_token(technician), "POST", "sites", {**site, "change": WHY})
    assert problem(answer, 403, "forbidden")["detail"] == f"{A_MANAGER}ask one to add the site."
    draft = change_set_draft(
        factories.change(user=technician, happened_on=None), [{"op": "site.add", **site}]
    )
    with pytest.raises(DraftsOnly), transaction.atomic():
        accept_draft(change_set=draft, user=technician)
    assert not Site.objects.filter(code="g").exists()
    accept_draft(change_set=draft, user=manager)
    assert Site.objects.filter(code="g").exists()


def test_what_is_recorded_is_withdrawn_by_a_manager(
    careful: Customer, hall: Hall, technician: User, manager: User, with_token: Caller
) -> None:
    body = {"site_id": hall.site.pk, "name": "MDF", "change": WHY}
    post(with_token(manager), "closets", body)
    change_set = ChangeSet.objects.get(pk=Closet.objects.get(name="MDF").change_set_id)
    address, reason = f"change-sets/{change_set.pk}", {"reason": "twice"}
    client = with_token(technician)
    refused = send(client, "POST", f"{address}/withdraw", reason, etag_of(client, address))
    said = problem(refused, 403, "forbidden")["detail"]
    assert said == f"{A_MANAGER}ask one to withdraw this."
    assert not Withdrawal.objects.exists()


def test_a_reading_is_taken_and_taken_back_all_the_same(
    careful: Customer, hall: Hall, technician: User, with_token: Caller
) -> None:
    client = with_token(technician)
    reading = {"kind": "run_current", "state": "idle", "value": 0.1, "taken_on": "2026-11-20"}
    made = post(client, "tests", {**reading, "run_id": hall.run.pk, "change": WHY}).json()
    post(client, f"tests/{made['id']}/supersede", {"value": 0.2, "change": WHY})
    both = {"op": "test.record", **reading, "run_id": hall.run.pk}
    draft = drawn_up(client, hall.site, both)
    post(client, f"change-sets/{draft.json()['id']}/accept", {}, status=200, etag=draft["ETag"])
    mixed = drawn_up(client, hall.site, both, *more_speakers(hall, 1))
    refused = send(client, "POST", f"change-sets/{mixed.json()['id']}/accept", {}, mixed["ETag"])
    assert problem(refused, 403, "forbidden")["detail"].startswith(A_MANAGER)


def test_a_manager_says_so_of_a_customer_and_writes_at_once(
    careful: Customer, hall: Hall, manager: User, technician: User, with_token: Caller
) -> None:
    ours, theirs, address = with_token(manager), with_token(technician), f"customers/{careful.pk}"
    body = {"site_id": hall.site.pk, "name": "MDF", "change": WHY}
    assert send(ours, "POST", "closets", body).status_code == 201
    patch(ours, address, {"technicians_accept": True, "change": WHY}, etag_of(ours, address))
    assert get(theirs, address)["technicians_accept"] is True
    assert send(theirs, "POST", "closets", {**body, "name": "IDF"}).status_code == 201
