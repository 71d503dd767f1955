"""A value that its trade could not meet is refused in every channel, and nothing of it is kept."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.test import Client

from api.conventions.schema import description
from sites.changes.parameters import Parameter
from sites.models.access import User
from sites.models.changes import ChangeSet
from tests import factories
from tests.api.conftest import Caller
from tests.halls import Hall
from zones.models import Point, PointFacts, Zone

pytestmark = pytest.mark.django_db
WHY = {"reason": "as built", "happened_on": "2026-11-20"}
# JSON has no infinity, but a number that no machine can hold
IMPOSSIBLE = ["350", "20.01", "-0.1", "1e20", "1e300", "1e999", "true", '"0.1"']


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def sent(client: Client, address: str, body: str) -> Any:
    return client.post(f"/api/v1/{address}", body, content_type="application/json")


@pytest.mark.parametrize("value", IMPOSSIBLE)
def test_a_current_that_no_speaker_draws(hall: Hall, client: Client, value: str) -> None:
    points, change_sets = Point.objects.count(), ChangeSet.objects.count()
    why = '"change": {"reason": "as built"}'
    posted = sent(client, "points", f'{{"run_id": {hall.run.pk}, "speech_current_a": {value}, {why}}}')
    operation = f'{{"op": "point.append", "run_id": {hall.run.pk}, "speech_current_a": {value}}}'
    draft = f'{{"site_id": {hall.site.pk}, "reason": "a plan", "operations": [{operation}]}}'
    drafted = sent(client, "change-sets", draft)
    assert (posted.status_code, drafted.status_code) == (400, 400)
    if value != "1e999":  # which is not a number to begin with
        assert posted.json()["errors"][0]["pointer"] == "/speech_current_a"
        assert "from 0 to 20 [A]" in posted.json()["errors"][0]["detail"]
        assert drafted.json()["errors"][0]["pointer"] == "/operations/0/speech_current_a"
    assert (Point.objects.count(), ChangeSet.objects.count()) == (points, change_sets)
    assert client.get("/api/v1/change-sets").status_code == 200


@pytest.mark.parametrize("value", ["350", "1e20", "'NaN'", "'Infinity'"])
def test_not_even_raw_sql_writes_it(hall: Hall, value: str) -> None:
    facts = PointFacts.objects.filter(run=hall.run).latest("step")
    with pytest.raises(IntegrityError) as caught, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE point_facts SET speech_current_a = {value} WHERE point_id = %s", [facts.point_id]
        )
    assert "point_facts_speech_current_a_check" in str(caught.value)


@pytest.mark.parametrize(
    ("name", "stated"),
    [
        ("Gang\u200bway", "invisible"),
        ("Gang\x07way", "invisible"),
        ("\u202eyawgnaG", "invisible"),
        ("two\nlines", "one line"),
        ("  ", "1 to 120 characters"),
    ],
)
def test_a_name_that_nobody_could_type_again(hall: Hall, client: Client, name: str, stated: str) -> None:
    answer = client.post(
        "/api/v1/zones",
        {"site_id": hall.site.pk, "name": name, "change": WHY},
        content_type="application/json",
    )
    assert answer.status_code == 400
    assert stated in answer.json()["errors"][0]["detail"]


def test_two_names_that_differ_in_capital_letters_alone(hall: Hall, client: Client) -> None:
    body = {"site_id": hall.site.pk, "change": WHY}
    made = client.post("/api/v1/zones", {**body, "name": " Ticket  hall 7 "}, content_type="application/json")
    assert (made.status_code, made.json()["name"]) == (201, "Ticket hall 7")
    twin = client.post("/api/v1/zones", {**body, "name": "ticket HALL 7"}, content_type="application/json")
    assert twin.status_code == 409
    assert twin.json()["errors"][0]["pointer"] == "/name"
    assert Zone.objects.filter(name__iexact="ticket hall 7").count() == 1


def test_a_hardware_address_has_one_form(hall: Hall, client: Client) -> None:
    gateway = factories.make_gateway(hall.closet)
    address = f"/api/v1/endpoints/{gateway.pk}"
    tag = client.get(address)["ETag"]
    for mac, status in (("zz", 400), ("00-1B-44-11-3A-B7", 200)):
        answer = client.patch(
            address, {"mac": mac, "change": WHY}, content_type="application/json", headers={"If-Match": tag}
        )
        assert answer.status_code == status, answer.content
    assert answer.json()["mac"] == "00:1b:44:11:3a:b7"


def test_a_draft_calls_things_as_resources_do(hall: Hall, client: Client) -> None:
    operation = {"op": "point.append", "run": hall.run.pk, "after": None, "model": hall.speaker.pk}
    body = {"site_id": hall.site.pk, "reason": "a plan", "operations": [operation]}
    answer = client.post("/api/v1/change-sets", body, content_type="application/json")
    stated = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert answer.status_code == 400
    assert "Did you mean run_id?" in stated["/operations/0/run"]
    assert "Did you mean model_id?" in stated["/operations/0/model"]
    listed = description()["components"]["schemas"]["Draft"]["properties"]["operations"]
    append = listed["items"]["discriminator"]["mapping"]["point.append"].rsplit("/", 1)[1]
    described = description()["components"]["schemas"][append]["properties"]
    assert {"run_id", "after_id", "model_id", "speech_current_a"} <= set(described)


def test_each_value_of_a_request_is_parsed_once(
    hall: Hall, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the edge to the rows it is a value of Python; nothing makes JSON of it and reads that again."""
    parsed: list[str] = []
    parse = Parameter.parse

    def counting(self: Parameter, value: Any, **kwargs: Any) -> Any:
        parsed.append(self.key)
        return parse(self, value, **kwargs)

    monkeypatch.setattr(Parameter, "parse", counting)
    body = {
        "run_id": hall.run.pk,
        "after_id": hall.points[-1].pk,
        "length_m": 7.5,
        "length_basis": "measured",
    }
    assert (
        client.post("/api/v1/points", {**body, "change": WHY}, content_type="application/json").status_code
        == 201
    )
    assert sorted(parsed) == sorted([*body, *WHY])
