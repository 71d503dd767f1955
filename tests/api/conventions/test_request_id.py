"""X-Request-ID: the caller's where it is fit for a log line, else ours; echoed and logged."""

import uuid
from collections.abc import Callable

import pytest
import structlog
from django.http import HttpRequest, HttpResponse
from django.test import Client, RequestFactory

from api.conventions.request_id import RequestIdMiddleware, request_id_of


def is_ours(request_id: str) -> bool:
    return str(uuid.UUID(request_id)) == request_id


def test_the_callers_id_comes_back(client: Client) -> None:
    answer = client.get("/healthz", headers={"X-Request-ID": "call-17:abc"})
    assert answer.headers["X-Request-ID"] == "call-17:abc"


@pytest.mark.parametrize("sent", ["", "two words", "line\tfeed", "x" * 129, "<b>"])
def test_an_unfit_id_is_replaced(client: Client, sent: str) -> None:
    answer = client.get("/healthz", headers={"X-Request-ID": sent})
    assert is_ours(answer.headers["X-Request-ID"])


def test_an_unknown_address_has_one_too(client: Client) -> None:
    assert is_ours(client.get("/nowhere").headers["X-Request-ID"])


@pytest.fixture
def seen() -> list[dict[str, object]]:
    return []


@pytest.fixture
def middleware(seen: list[dict[str, object]]) -> Callable[[HttpRequest], HttpResponse]:
    def view(request: HttpRequest) -> HttpResponse:
        seen.append({"id": request_id_of(request), **structlog.contextvars.get_contextvars()})
        return HttpResponse()

    return RequestIdMiddleware(view)


def test_every_log_line_of_a_request_has_its_id_and_the_next_has_not(
    middleware: Callable[[HttpRequest], HttpResponse], seen: list[dict[str, object]]
) -> None:
    middleware(RequestFactory().get("/", headers={"X-Request-ID": "one"}))
    assert seen == [{"id": "one", "request_id": "one"}]
    assert "request_id" not in structlog.contextvars.get_contextvars()
