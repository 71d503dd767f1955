"""Requests that are made from the description, right ones and wrong ones, over a live server: nothing
crashes, every answer is one that the description has, and what is refused is refused with a reason.

With ``--long`` more of each kind of request.
"""

from __future__ import annotations

from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given
from hypothesis import settings as hypothesis_settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import CHECKS
from schemathesis.core.failures import FailureGroup

from api.conventions.schema import description
from sites.access.abilities import TOKEN_SCOPES
from sites.access.services import token_make
from sites.models import Customer, User
from tests.api.v1 import plenty

NOTHING_TO_DO_WRONG = {"GET /api/v1/problems", "GET /api/v1/problems/{code}"}
"""Whatever is sent to them is right."""
REFUSED = ["400", "412", "422", "428"]
"""What may become of a request that is as described: the record knows more than a description can say."""
STALE = ["412"]
"""Whether a version is the present one is decided before the body is looked at."""


@pytest.fixture
def one_of_everything(customer: Customer) -> None:
    plenty.add(plenty.one_hall(customer), 1)


@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_every_answer_is_as_described(
    live_server: Any, settings: Any, manager: User, one_of_everything: None, pytestconfig: pytest.Config
) -> None:
    """By all checks of schemathesis, and `no_reason_of_the_description`."""
    settings.REQUESTS_PER_MINUTE = settings.REFUSED_PER_MINUTE = 10**9
    _, secret = token_make(user=manager, scopes=[ability.value for ability in TOKEN_SCOPES])
    headers = {"Authorization": f"Bearer {secret}"}
    description()  # made once in a process, and the request for it has ten seconds
    schema = schemathesis.openapi.from_url(f"{live_server.url}/api/v1/schema")
    for check, more in (
        (schema.config.checks.positive_data_acceptance, REFUSED),
        (schema.config.checks.negative_data_rejection, STALE),
    ):
        check.expected_statuses = [*check.expected_statuses, *more]
    checks = [*CHECKS.get_all(), no_reason_of_the_description]
    examples = 10 if pytestconfig.getoption("--long") else 2
    found: list[str] = []
    tried = 0

    def ask(case: Any) -> None:
        try:
            case.call_and_validate(headers=headers, checks=checks)
        except FailureGroup as group:
            found.extend(f"{case.operation.label}: {failure}" for failure in group.exceptions)

    for found_operation in schema.get_all_operations():
        operation = found_operation.ok()  # type: ignore[union-attr]
        for mode in GenerationMode:
            run = given(case=operation.as_strategy(generation_mode=mode))(ask)
            try:
                hypothesis_settings(
                    max_examples=examples, derandomize=True, database=None, phases=[Phase.generate],
                    suppress_health_check=list(HealthCheck),
                )(run)()  # fmt: skip
            except Unsatisfiable:
                assert mode == GenerationMode.NEGATIVE
                assert operation.label in NOTHING_TO_DO_WRONG
        tried += 1
    assert tried > 200
    assert not found, "\n\n".join(found)


def no_reason_of_the_description(_context: Any, response: Any, case: Any) -> None:
    """A request that is as described is not refused for a name that is not known, nor for a number, a flag or
    a null that is not right: of these the description says all."""
    if response.status_code != 400 or case.meta.generation.mode != GenerationMode.POSITIVE:
        return
    for error in response.json()["errors"]:
        assert error["code"] != "unknown", error
        if error["code"] == "invalid":
            sent = _at(case.body, error["pointer"]) if "pointer" in error else case.query[error["parameter"]]
            assert isinstance(sent, str | list), (sent, error)


def _at(body: Any, pointer: str) -> Any:
    for step in pointer.split("/")[1:]:
        body = body[int(step)] if isinstance(body, list) else body[step.replace("~1", "/").replace("~0", "~")]
    return body
