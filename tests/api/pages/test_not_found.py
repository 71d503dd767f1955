"""An address that leads nowhere: a person is shown where to go, a program gets a problem."""

from __future__ import annotations

import json

import pytest
from django.test import Client

from sites.models import User
from tests.api.conftest import Caller
from tests.api.pages.test_home import BROWSER, links


@pytest.mark.parametrize(
    "address", ["/nowhere", "/api", "/api/", "/api/v1", "/api/v1/sites/", "/api/v2/sites"]
)
def test_a_person_is_shown_where_to_go(client: Client, address: str) -> None:
    answer = client.get(address, headers=BROWSER)
    text = answer.content.decode()
    assert answer.status_code == 404
    assert "Nothing at this address" in text
    assert f"<code>{address}</code>" in text
    assert {"/", "/api/v1/reference"} <= set(links(text))
    assert f"<code>{answer['X-Request-ID']}</code>" in text


def test_a_slash_at_the_end_is_explained(client: Client) -> None:
    assert "no slash at their end" in client.get("/api/v1/sites/", headers=BROWSER).content.decode()


def test_the_address_is_shown_as_text(client: Client) -> None:
    text = client.get("/<script>alert(1)</script>", headers=BROWSER).content.decode()
    assert "<script>" not in text
    assert "&lt;script&gt;" in text


@pytest.mark.parametrize("accept", ["*/*", "application/json", "application/json, text/html;q=0.5"])
def test_a_program_gets_a_problem(client: Client, accept: str) -> None:
    answer = client.get("/api/v1/sties", headers={"Accept": accept})
    assert (answer.status_code, answer["Content-Type"]) == (404, "application/problem+json")
    assert json.loads(answer.content)["code"] == "not_found"


def test_a_row_that_is_not_there_is_a_problem_for_everyone(logged_in: Caller, manager: User) -> None:
    answer = logged_in(manager).get("/api/v1/sites/9999999999", headers=BROWSER)
    assert (answer.status_code, answer["Content-Type"]) == (404, "application/problem+json")
