"""Whether a COMMIT was sent that may have been acted on: what an answer can say of a lost connection."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.core.signals import request_started
from django.db import (
    IntegrityError,
    InterfaceError,
    InternalError,
    OperationalError,
    connection,
    transaction,
)
from django.http import HttpRequest

from api.conventions.errors import problem_of
from api.conventions.problems import UNAVAILABLE
from api.database.commits import commit_was_sent
from sites.models import Customer
from tests import factories
from tests.zones.recheck.conftest import another_connection

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def request_begun() -> Iterator[None]:
    request_started.send(object, environ={})
    yield
    connection.close()


def end_session() -> None:
    """End the session's connection, like a server that goes away."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_backend_pid()")
        (pid,) = cursor.fetchone()
    with another_connection() as other:
        other.execute("SELECT pg_terminate_backend(%s, 10000)", [pid])


def test_none_was_sent_before_the_end_of_a_transaction() -> None:
    with pytest.raises((OperationalError, InterfaceError)), transaction.atomic():  # noqa: PT012
        factories.make_customer()
        end_session()
        factories.make_customer()
    assert not commit_was_sent()
    assert not Customer.objects.exists()


def test_one_was_sent_where_the_connection_is_lost_at_the_end() -> None:
    with pytest.raises((OperationalError, InterfaceError)), transaction.atomic():
        end_session()
    assert commit_was_sent()


def end_idle() -> None:
    """Let the server end the session, as of a process that idles in its transaction."""
    with connection.cursor() as cursor, another_connection() as other:
        cursor.execute("SELECT pg_backend_pid()")
        pid = cursor.fetchone()
        cursor.execute("SET idle_in_transaction_session_timeout = 1")
        while other.execute("SELECT FROM pg_stat_activity WHERE pid = %s", pid).fetchone() is not None:
            pass


@pytest.mark.parametrize("more", [True, False], ids=["before a statement", "before the commit"])
def test_a_transaction_that_was_idle_for_too_long_is_unavailable(more: bool) -> None:
    # Which of them depends on whether the server's last words are read before its end is noticed
    with pytest.raises((InternalError, OperationalError)) as ended, transaction.atomic():  # noqa: PT012
        factories.make_customer()
        end_idle()
        if more:
            factories.make_customer()
    assert not commit_was_sent()
    connection.close()
    assert not Customer.objects.exists()
    problem = problem_of(ended.value, HttpRequest())
    assert problem is not None
    assert (problem.kind, problem.headers) == (UNAVAILABLE, {"Retry-After": "2"})


def test_one_that_the_server_refuses_counts_for_nothing() -> None:
    with connection.cursor() as cursor:
        cursor.execute("CREATE TEMP TABLE walk (id int PRIMARY KEY DEFERRABLE INITIALLY DEFERRED)")
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("INSERT INTO walk VALUES (1), (1)")
    assert not commit_was_sent()
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("INSERT INTO walk VALUES (1)")
    assert commit_was_sent()


def test_each_request_starts_from_nothing() -> None:
    with transaction.atomic():
        factories.make_customer()
    assert commit_was_sent()
    request_started.send(object, environ={})
    assert not commit_was_sent()
