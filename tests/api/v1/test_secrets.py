"""Door and alarm codes over REST: set, replaced, removed; shown to a person with a reason, and logged."""

from __future__ import annotations

from typing import Any

import pytest
from cryptography.fernet import Fernet
from django.test import Client

from sites.models import Closet, Secret, SecretReveal, Site
from sites.models.access import User
from sites.services.secrets import secret_reveal
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import etag_of, get, patch, post

CODE = "0815-heron#"


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


@pytest.fixture
def door(client: Client, closet: Closet) -> int:
    body = {"closet_id": closet.pk, "kind": "door", "label": "street door", "code": CODE}
    number: int = post(client, "secrets", body).json()["id"]
    return number


def asked(client: Client, number: int, body: Any = None, **headers: str) -> Any:
    return client.post(
        f"/api/v1/secrets/{number}/reveal",
        {"reason": "night call"} if body is None else body,
        content_type="application/json",
        headers=headers,
    )


def test_a_code_is_set_and_listed_without_itself(
    client: Client, door: int, closet: Closet, reader: User, with_token: Caller
) -> None:
    (listed,) = get(with_token(reader), "secrets", closet_id=closet.pk, kind="door")["items"]
    assert {name: listed[name] for name in ("id", "site_id", "closet_id", "kind", "label", "written_by")} == {
        "id": door,
        "site_id": closet.site_id,
        "closet_id": closet.pk,
        "kind": "door",
        "label": "street door",
        "written_by": "Rune Vale",
    }
    assert set(listed) - {"written_at"} == {"id", "site_id", "closet_id", "kind", "label", "written_by"}
    assert get(client, "secrets", kind="alarm")["items"] == []


def test_a_person_is_shown_it_and_that_is_logged(
    door: int, dispatcher: User, manager: User, logged_in: Caller
) -> None:
    answer = post(logged_in(dispatcher), f"secrets/{door}/reveal", {"reason": "night call"}, status=200)
    assert answer.json() == {"id": door, "label": "street door", "kind": "door", "code": CODE}
    assert answer["Cache-Control"] == "no-store"
    (logged,) = get(logged_in(manager), "secret-reveals", secret_id=door)["items"]
    assert (logged["label"], logged["user"], logged["reason"], logged["secret_id"]) == (
        "street door",
        dispatcher.get_full_name() or dispatcher.get_username(),
        "night call",
        door,
    )
    assert get(logged_in(manager), f"secret-reveals/{logged['id']}") == logged


def test_without_a_reason_it_is_not_shown(door: int, dispatcher: User, logged_in: Caller) -> None:
    for body in ({}, {"reason": ""}, {"reason": "  "}, {"reason": "x" * 2001}, {"reason": 7}):
        answer = asked(logged_in(dispatcher), door, body)
        assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "/reason"), body
        assert CODE.encode() not in answer.content
    assert not SecretReveal.objects.exists()


def test_no_program_is_shown_it(door: int, manager: User, with_token: Caller) -> None:
    answer = asked(with_token(manager), door)
    assert answer.status_code == 403
    assert "a person who is logged in" in answer.json()["detail"]
    assert "WWW-Authenticate" not in answer.headers, "no other scope would do"
    assert not SecretReveal.objects.exists()


def test_a_session_without_the_csrf_token_is_not_shown_it(
    door: int, dispatcher: User, logged_in: Caller
) -> None:
    answer = asked(logged_in(dispatcher, csrf=False), door)
    assert (answer.status_code, answer.json()["code"]) == (403, "csrf_failed")
    assert not SecretReveal.objects.exists()


def test_who_may_what(door: int, reader: User, dispatcher: User, manager: User, logged_in: Caller) -> None:
    assert asked(logged_in(reader), door).status_code == 403
    assert asked(logged_in(dispatcher), door).status_code == 200
    assert asked(logged_in(manager), door).status_code == 200
    for user, status in ((reader, 403), (dispatcher, 403), (manager, 200)):
        assert logged_in(user).get("/api/v1/secret-reveals").status_code == status
    body = {"kind": "door", "label": "hatch", "code": "1", "site_id": Secret.objects.get().site_id}
    address = "/api/v1/secrets"
    for user, status in ((reader, 403), (dispatcher, 403), (manager, 201)):
        answer = logged_in(user).post(address, body, content_type="application/json")
        assert answer.status_code == status


def test_an_outsider_finds_nothing(door: int, outsider: User, logged_in: Caller) -> None:
    stranger = logged_in(outsider)
    for answer in (asked(stranger, door), stranger.get(f"/api/v1/secrets/{door}")):
        assert answer.status_code == 404
    secret_reveal(user=outsider, secret=Secret.objects.get(), reason="to have a row")
    assert get(stranger, "secret-reveals")["items"] == []


def test_a_code_of_another_customers_closet_cannot_be_set(client: Client, closet: Closet) -> None:
    theirs = factories.make_closet()
    for body, pointer in (
        ({"closet_id": theirs.pk}, "/closet_id"),
        ({"site_id": theirs.site_id}, "/site_id"),
        ({}, ""),
    ):
        answer = client.post(
            "/api/v1/secrets",
            {"kind": "door", "label": "hatch", "code": CODE, **body},
            content_type="application/json",
        )
        assert answer.status_code == 400, answer.content
        assert answer.json()["errors"][0]["pointer"] == pointer
        assert CODE.encode() not in answer.content
    ours = factories.make_closet(factories.make_site(closet.site.customer))
    answer = client.post(
        "/api/v1/secrets",
        {"kind": "door", "label": "hatch", "code": CODE, "closet_id": ours.pk, "site_id": closet.site_id},
        content_type="application/json",
    )
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/closet_id")
    assert not Secret.objects.exists()


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"code": " "}, "/code"),
        ({"code": 4711}, "/code"),
        ({"code": "x" * 201}, "/code"),
        ({"label": ""}, "/label"),
        ({"label": "x" * 81}, "/label"),
        ({"kind": "gate"}, "/kind"),
        ({"cypher": "x"}, "/cypher"),
    ],
)
def test_a_bad_body_is_named(client: Client, site: Site, change: dict[str, Any], pointer: str) -> None:
    body = {"site_id": site.pk, "kind": "door", "label": "gate", "code": CODE, **change}
    answer = client.post("/api/v1/secrets", body, content_type="application/json")
    assert answer.status_code == 400, answer.content
    assert [error["pointer"] for error in answer.json()["errors"]] == [pointer]
    assert not Secret.objects.exists()


def test_a_code_is_replaced_in_the_version_that_was_read(
    client: Client, door: int, dispatcher: User, manager: User, logged_in: Caller, with_token: Caller
) -> None:
    tag = etag_of(client, f"secrets/{door}")
    answer = patch(with_token(manager), f"secrets/{door}", {"code": "4711#"}, tag)
    assert answer.json()["written_by"] == "Ines Marlow"
    assert "code" not in answer.json()
    assert asked(logged_in(dispatcher), door).json()["code"] == "4711#"
    patch(client, f"secrets/{door}", {"code": "1"}, tag, status=412)
    assert client.patch(f"/api/v1/secrets/{door}", {}, content_type="application/json").status_code == 428
    body = {"label": "yard door", "kind": "alarm", "closet_id": None}
    moved = patch(client, f"secrets/{door}", body, answer["ETag"]).json()
    assert (moved["label"], moved["kind"], moved["closet_id"], moved["written_by"]) == (
        "yard door",
        "alarm",
        None,
        "Ines Marlow",
    )
    assert asked(logged_in(dispatcher), door).json()["code"] == "4711#"
    patch(client, f"secrets/{door}", {}, etag_of(client, f"secrets/{door}"), status=400)


def test_a_code_is_removed_and_its_log_stays(
    client: Client, door: int, closet: Closet, dispatcher: User, manager: User, logged_in: Caller
) -> None:
    asked(logged_in(dispatcher), door)
    address = f"/api/v1/secrets/{door}"
    assert client.delete(address).status_code == 428
    tag = client.get(address)["ETag"]
    assert client.delete(address, headers={"If-Match": tag}).status_code == 204
    assert client.get(address).status_code == 404
    assert client.delete(address, headers={"If-Match": tag}).status_code == 404
    assert asked(logged_in(dispatcher), door).status_code == 404
    assert get(client, "secrets")["items"] == []
    assert get(client, f"closets/{closet.pk}/sheet")["reach"]["codes"]["door"] == 0
    assert [row["label"] for row in get(logged_in(manager), "secret-reveals")["items"]] == ["street door"]
    body = {"closet_id": closet.pk, "kind": "door", "label": "Street door", "code": "4711#"}
    assert post(client, "secrets", body).json()["id"] == door
    assert asked(logged_in(dispatcher), door).json()["code"] == "4711#"


def test_a_label_holds_one_code(client: Client, door: int, closet: Closet) -> None:
    body = {"closet_id": closet.pk, "kind": "door", "label": "STREET DOOR", "code": "4711#"}
    answer = client.post("/api/v1/secrets", body, content_type="application/json")
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (409, "/label")


def test_a_code_whose_key_is_gone_is_said_to_be(
    door: int, dispatcher: User, logged_in: Caller, settings: Any
) -> None:
    settings.FIELD_KEYS = [Fernet.generate_key().decode()]
    answer = asked(logged_in(dispatcher), door)
    assert (answer.status_code, answer.json()["code"]) == (409, "conflict")
    assert "under a key that is gone" in answer.json()["detail"]
    assert not SecretReveal.objects.exists(), "nothing was shown"


def test_sent_again_with_its_key_it_is_logged_once_and_not_shown_twice(
    door: int, dispatcher: User, logged_in: Caller
) -> None:
    client = logged_in(dispatcher)
    first, again = (asked(client, door, **{"Idempotency-Key": "k-1"}) for _ in range(2))
    assert first.json()["code"] == CODE
    assert again.json() == {**first.json(), "code": None}
    assert again["Idempotency-Withheld"] == "code"
    assert SecretReveal.objects.count() == 1
