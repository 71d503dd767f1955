"""Requests that are made from the description, right ones and wrong ones, over a live server: nothing
crashes, and every answer is one that the description has."""

from __future__ import annotations

from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from sites.access.abilities import TOKEN_SCOPES
from sites.access.services import token_make
from sites.models import Customer, User
from tests.api.v1 import plenty

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    negative_data_rejection,
]


@pytest.fixture
def one_of_everything(customer: Customer) -> None:
    plenty.add(plenty.one_hall(customer), 1)


@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_every_answer_is_as_described(
    live_server: Any, settings: Any, manager: User, one_of_everything: None
) -> None:
    settings.REQUESTS_PER_MINUTE = 10**9
    _, secret = token_make(user=manager, scopes=[ability.value for ability in TOKEN_SCOPES])
    headers = {"Authorization": f"Bearer {secret}"}
    schema = schemathesis.openapi.from_url(f"{live_server.url}/api/v1/schema")
    tried = 0
    for operation in schema.get_all_operations():

        @given(case=operation.ok().as_strategy())  # type: ignore[union-attr]
        @hypothesis_settings(
            max_examples=5, derandomize=True, database=None, suppress_health_check=list(HealthCheck)
        )
        def ask(case: Any) -> None:
            case.call_and_validate(headers=headers, checks=CHECKS)

        ask()
        tried += 1
    assert tried > 30
