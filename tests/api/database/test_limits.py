"""Limits in time of a session: the server knows them, and what they end is answered with a 503."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import OperationalError, connection

from api.conventions import problems
from api.conventions.errors import problem_of
from api.database.limits import Limits, process_name, session_options


@pytest.fixture
def limited(db: None) -> Iterator[Any]:
    """A session with limits of its own."""
    session = connection.copy()
    limits = Limits(statement_s=1, lock_s=7, idle_in_transaction_s=11)
    given = {"options": "-c search_path=elsewhere"}
    session.settings_dict["OPTIONS"] = session_options(given, limits, name="zonebook test on here")
    yield session
    session.close()


def shown(session: Any, name: str) -> str:
    with session.cursor() as cursor:
        cursor.execute("SELECT current_setting(%s)", [name])
        return str(cursor.fetchone()[0])


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("statement_timeout", "1s"),
        ("lock_timeout", "7s"),
        ("idle_in_transaction_session_timeout", "11s"),
        ("application_name", "zonebook test on here"),
        ("search_path", "elsewhere"),
    ],
)
def test_a_session_begins_with_its_limits_and_what_its_address_says(
    limited: Any, name: str, value: str
) -> None:
    assert shown(limited, name) == value


def test_a_statement_that_takes_too_long_is_ended_and_is_a_503_with_retry_after(limited: Any) -> None:
    with pytest.raises(OperationalError, match="statement timeout") as raised, limited.cursor() as cursor:
        cursor.execute("SELECT pg_sleep(600)")
    problem = problem_of(raised.value)
    assert problem is not None
    assert problem.kind is problems.UNAVAILABLE
    assert int(problem.headers["Retry-After"]) >= 1


@pytest.mark.parametrize(
    ("words", "name"),
    [
        (["manage.py", "sweep", "--loop"], "zonebook sweep on "),
        (["/srv/manage.py", "--traceback", "asbuilt", "import"], "zonebook asbuilt on "),
        (["/opt/zonebook/bin/celery", "-A", "api.celery", "worker"], "zonebook celery on "),
        ([""], "zonebook python on "),
    ],
)
def test_the_list_of_sessions_names_the_command_and_the_host(words: list[str], name: str) -> None:
    assert process_name(words).startswith(name)
    assert len(process_name(words)) <= 63
