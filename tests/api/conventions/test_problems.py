"""Errors: each is a problem (RFC 9457), raised anywhere, and says where and what would be right."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from django.db import (
    DataError,
    IntegrityError,
    InterfaceError,
    InternalError,
    OperationalError,
    transaction,
)
from django.http import HttpResponse
from django.test import Client, RequestFactory, override_settings
from psycopg.errors import IdleInTransactionSessionTimeout, InFailedSqlTransaction
from rest_framework import serializers

from api.conventions import errors, problems
from api.conventions.bodies import unrepeated
from api.conventions.places import body_problems, pointer
from api.conventions.problems import LARGEST_BODY_BYTES, ProblemError
from api.pages import problem_pages
from sites.changes.services import open_change_set
from sites.models import Customer, Site, User
from tests import factories
from tests.api.conftest import Caller

MEMBERS = {"type", "title", "status", "detail", "instance", "code", "request_id", "errors", "more_errors"}


def problem(answer: HttpResponse | Any, status: int, code: str) -> dict[str, Any]:
    """The problem in `answer`, after checking what every problem has."""
    assert answer.status_code == status, answer.content
    assert answer["Content-Type"] == "application/problem+json"
    body: dict[str, Any] = json.loads(answer.content)
    assert set(body) == MEMBERS
    assert (body["status"], body["code"]) == (status, code)
    assert body["type"] == f"/api/v1/problems/{code}"
    assert body["title"] == problems.KINDS[code].title
    assert body["request_id"] == answer["X-Request-ID"]
    assert body["detail"]
    for error in body["errors"]:
        assert {"code", "detail"} < set(error) <= {"code", "detail", "pointer", "parameter"}
    return body


# --- where no view is at work -------------------------------------------------------------------------------


def test_an_unknown_address(anonymous: Client) -> None:
    body = problem(anonymous.get("/api/v1/sties"), 404, "not_found")
    assert body["instance"] == "/api/v1/sties"
    assert body["detail"].startswith("The API has no such address: /api/v1/reference lists them")


def test_an_address_with_a_slash_too_many(anonymous: Client) -> None:
    problem(anonymous.get("/api/v1/sites/"), 404, "not_found")


def test_pages_keep_their_own_errors(anonymous: Client) -> None:
    assert anonymous.get("/nowhere")["Content-Type"].startswith("text/html")


def test_a_host_that_is_not_ours(anonymous: Client) -> None:
    problem(anonymous.get("/api/v1/sites", headers={"Host": "elsewhere.example"}), 400, "bad_request")


def test_a_crash_tells_nothing_of_itself(
    with_token: Caller, reader: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    def crash(*_args: object, **_kwargs: object) -> None:
        raise RuntimeError("the secret reason")

    client = with_token(reader)
    monkeypatch.setattr("api.v1.sites.SiteViewSet.list", crash)
    answer = client.get("/api/v1/sites")
    problem(answer, 500, "internal")
    assert b"secret" not in answer.content


def test_a_forgery_check_that_django_makes(rf: RequestFactory) -> None:
    request = rf.post("/api/v1/anything")
    answer = problem_pages.csrf_failure(request, "CSRF cookie not set.")
    body = json.loads(answer.content)
    assert (answer.status_code, body["code"]) == (403, "csrf_failed")
    assert "CSRF cookie not set" in body["detail"]


# --- in a view ----------------------------------------------------------------------------------------------


def test_a_method_that_is_not_there(with_token: Caller, reader: User) -> None:
    for method in ["PUT", "OPTIONS", "TRACE"]:
        answer = with_token(reader).generic(method, "/api/v1/sites")
        body = problem(answer, 405, "method_not_allowed")
        assert body["detail"] == f"{method} is not for this address, which takes GET, HEAD and POST."
        assert "OPTIONS" not in answer["Allow"]
        assert "GET" in answer["Allow"]


def test_a_form_that_is_not_to_be_had(with_token: Caller, reader: User) -> None:
    problem(with_token(reader).get("/api/v1/sites", headers={"Accept": "text/csv"}), 406, "not_acceptable")


def test_outside_the_grant_and_never_there_are_one_answer(
    with_token: Caller, reader: User, other_site: Site
) -> None:
    client = with_token(reader)
    answers = [client.get(f"/api/v1/sites/{number}") for number in (other_site.pk, 10**9, 2**63, 10**30)]
    bodies = [problem(answer, 404, "not_found") for answer in answers]
    for body in bodies:
        del body["request_id"], body["instance"]
    assert bodies == [bodies[0]] * len(bodies)


def test_the_instance_leaves_the_query_out(with_token: Caller, reader: User) -> None:
    body = problem(with_token(reader).get("/api/v1/sites?oder=x"), 400, "invalid")
    assert body["instance"] == "/api/v1/sites"


def test_the_callers_request_id_comes_back(anonymous: Client) -> None:
    answer = anonymous.get("/api/v1/sties", headers={"X-Request-ID": "ticket-4711"})
    assert problem(answer, 404, "not_found")["request_id"] == "ticket-4711"


# --- bodies, through a view that only checks them -----------------------------------------------------------


BAD_BODIES: list[tuple[bytes, str]] = [
    (b"{", "Line 1, column 2"),
    (b'{"name": "a",}', "Line 1"),
    (b'{"name": "a", "name": "b"}', "stands twice"),
    (b'{"length_m": NaN}', "NaN"),
    (b'{"length_m": -Infinity}', "-Infinity"),
    (b'{"length_m": 1e999}', "1e999 is out of range"),
    (b'{"count": ' + b"9" * 5000 + b"}", "too long"),
    (b'{"name": "\xff"}', "not UTF-8: byte 10"),
    (b"[" * 100_000, "nested too deeply"),
    (b'{"a":' * 100_000, "nested too deeply"),
]


@pytest.mark.parametrize(("body", "stated"), BAD_BODIES, ids=[stated for _, stated in BAD_BODIES])
def test_what_is_not_json(post_anything: Callable[..., Any], body: bytes, stated: str) -> None:
    assert stated in problem(post_anything(body), 400, "malformed_body")["detail"]


class Counted(str):
    """A name that counts how often it is compared."""

    __slots__ = ()
    compared = 0

    def __eq__(self, other: object) -> bool:
        Counted.compared += 1
        return str.__eq__(self, other)

    __hash__ = str.__hash__


def test_a_name_that_stands_twice_is_found_in_one_pass() -> None:
    """Compared with each other, the names of a large object hold a worker for minutes."""
    names = [Counted(f"name {number}") for number in range(5000)]
    Counted.compared = 0
    with pytest.raises(ProblemError, match="'name 4999' stands twice"):
        unrepeated([(name, 1) for name in [*names, Counted("name 4999")]])
    assert Counted.compared < 2 * len(names)


@pytest.mark.parametrize("body", [b'{"\\ud800": 1}', b'{"name": {"a\\udfff": 1}}'])
def test_a_name_that_no_answer_can_repeat(post_anything: Callable[..., Any], body: bytes) -> None:
    assert "half of a character" in problem(post_anything(body), 400, "malformed_body")["detail"]


def test_a_body_of_another_kind(post_anything: Callable[..., Any]) -> None:
    answer = post_anything(b"a=b", content_type="application/x-www-form-urlencoded")
    assert "application/json" in problem(answer, 415, "unsupported_media_type")["detail"]


def test_a_body_too_large(post_anything: Callable[..., Any]) -> None:
    problem(post_anything(b'"' + b"x" * LARGEST_BODY_BYTES + b'"'), 413, "too_large")


def test_no_body_is_an_empty_one(post_anything: Callable[..., Any]) -> None:
    found = problem(post_anything(b""), 400, "invalid")
    assert [error["pointer"] for error in found["errors"]] == ["/name"]


@pytest.mark.parametrize("body", [b"[]", b'"x"', b"3", b"null", b"true"])
def test_a_body_that_is_no_object(post_anything: Callable[..., Any], body: bytes) -> None:
    found = problem(post_anything(body), 400, "invalid")
    assert found["errors"][0]["pointer"] == ""


def test_every_place_is_named_at_once(post_anything: Callable[..., Any]) -> None:
    sent = {
        "nmae": "x",
        "made": "2026-11-25",
        "segments": [{"length_m": 1.5}, {"length_m": "2", "colour": "red"}, {"length_m": True}, 7],
        "a/b~c": 1,
    }
    found = problem(post_anything(json.dumps(sent).encode()), 400, "invalid")
    stated = {error["pointer"]: (error["code"], error["detail"]) for error in found["errors"]}
    assert stated["/name"] == ("required", "Give name; it cannot be left out.")
    assert "Did you mean name?" in stated["/nmae"][1]
    assert stated["/made"][0] == "read_only"
    assert stated["/segments/1/length_m"][0] == "invalid"
    assert stated["/segments/1/colour"][0] == "unknown"
    assert stated["/segments/2/length_m"] == ("invalid", "Expected a number, as in 12.5.")
    assert stated["/segments/3"][0] == "invalid"
    assert stated["/a~1b~0c"][0] == "unknown"
    assert len(stated) == 8
    assert "8 things to correct" in found["detail"]


def test_a_pointer_escapes_as_rfc_6901_says() -> None:
    # RFC 6901 section 5: the keys "a/b", "m~n", "" and " "
    assert [pointer("a/b"), pointer("m~n"), pointer(""), pointer(" "), pointer("foo", 0), pointer()] == [
        "/a~1b",
        "/m~0n",
        "/",
        "/ ",
        "/foo/0",
        "",
    ]


def test_a_lists_own_error_is_about_the_list() -> None:
    class Segment(serializers.Serializer):
        length_m = serializers.FloatField()

    class Run(serializers.Serializer):
        segments = Segment(many=True, allow_empty=False)
        taps = serializers.ListField(child=serializers.FloatField())

    run = Run(data={"segments": [], "taps": [1, "x", 2]})
    assert not run.is_valid()
    assert {place.pointer for place in body_problems(run.errors)} == {"/segments", "/taps/1"}


# --- the database -------------------------------------------------------------------------------------------


def _ended_idle() -> InternalError:
    """The error as Django wraps it when the server ended the transaction."""
    error = InternalError("terminating connection due to idle-in-transaction timeout")
    error.__cause__ = IdleInTransactionSessionTimeout()
    return error


def test_another_internal_error_is_our_fault() -> None:
    error = InternalError("current transaction is aborted")
    error.__cause__ = InFailedSqlTransaction()
    assert errors.problem_of(error) is None


@pytest.mark.parametrize(
    ("error", "status", "code"),
    [
        (OperationalError("server closed the connection"), 503, "unavailable"),
        (InterfaceError("connection already closed"), 503, "unavailable"),
        (_ended_idle(), 503, "unavailable"),
        (DataError("integer out of range"), 422, "unprocessable"),
    ],
)
def test_what_the_database_cannot_do(
    with_token: Caller,
    reader: User,
    monkeypatch: pytest.MonkeyPatch,
    error: Exception,
    status: int,
    code: str,
) -> None:
    def refuse(*_args: object, **_kwargs: object) -> None:
        raise error

    client = with_token(reader)
    monkeypatch.setattr("api.v1.sites.SiteViewSet.list", refuse)
    answer = client.get("/api/v1/sites")
    problem(answer, status, code)
    assert str(error).encode() not in answer.content
    assert answer.headers.get("Retry-After") == ("2" if status == 503 else None)


def test_a_database_that_is_gone_before_any_view(
    with_token: Caller, reader: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_args: object, **_kwargs: object) -> None:
        raise OperationalError("no route")

    client = with_token(reader)
    monkeypatch.setattr("api.conventions.request_id.request_id_of", lambda request: request.request_id)
    monkeypatch.setattr("django.contrib.auth.middleware.AuthenticationMiddleware.process_request", refuse)
    problem(client.get("/api/v1/sites"), 503, "unavailable")


def test_a_rule_of_the_database_is_told_in_words(customer: Customer) -> None:
    with pytest.raises(IntegrityError) as error, transaction.atomic(), open_change_set(factories.change()):
        Customer.objects.create(code=customer.code, name="another")
    found = errors.problem_of(error.value)
    assert found is not None
    assert (found.kind, found.detail) == (problems.CONFLICT, "Another customer has this code.")
    assert [place.pointer for place in found.errors] == ["/code"]


# --- the list of kinds --------------------------------------------------------------------------------------


def test_every_kind_is_described_where_its_type_leads(anonymous: Client) -> None:
    listed = anonymous.get("/api/v1/problems").json()["items"]
    assert {kind["code"] for kind in listed} == set(problems.KINDS)
    for kind in listed:
        assert anonymous.get(kind["type"]).json() == kind
    problem(anonymous.get("/api/v1/problems/none-such"), 404, "not_found")


@override_settings(DEBUG=False)
def test_each_status_has_one_title() -> None:
    assert len({kind.title for kind in problems.KINDS.values()}) == len(problems.KINDS)
