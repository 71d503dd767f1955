"""A connection that stands is not asked whether it does; one that was ended, or failed, is."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from unittest.mock import patch

import pytest
from django.db import OperationalError, connection
from django.db.backends.postgresql.base import DatabaseWrapper

from tests.zones.recheck.conftest import another_connection

pytestmark = pytest.mark.django_db(transaction=True)


@contextmanager
def questions() -> Iterator[list[bool]]:
    """Each time that the server is asked, whether it answered."""
    asked: list[bool] = []
    ask = DatabaseWrapper.is_usable

    def noted(self: DatabaseWrapper) -> bool:
        asked.append(ask(self))
        return asked[-1]

    with patch.object(DatabaseWrapper, "is_usable", noted):
        yield asked


def next_request() -> None:
    connection.close_if_unusable_or_obsolete()
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
        assert cursor.fetchone() == (1,)


@pytest.fixture(autouse=True)
def as_a_server_has_it() -> Iterator[None]:
    before = connection.settings_dict["CONN_MAX_AGE"], connection.settings_dict["CONN_HEALTH_CHECKS"]
    connection.settings_dict |= {"CONN_MAX_AGE": None, "CONN_HEALTH_CHECKS": True}
    connection.close()
    connection.ensure_connection()
    yield
    connection.settings_dict["CONN_MAX_AGE"], connection.settings_dict["CONN_HEALTH_CHECKS"] = before
    connection.close()


def test_one_that_stands_is_not_asked() -> None:
    with questions() as asked:
        next_request()
        next_request()
    assert asked == []


def test_one_that_the_server_ended_is_replaced() -> None:
    driver = connection.connection
    with another_connection() as other:
        other.execute("SELECT pg_terminate_backend(%s, 5000)", [driver.info.backend_pid])
    with questions() as asked:
        next_request()
    assert asked == [False]
    assert connection.connection is not driver


def test_one_that_failed_is_asked() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SET statement_timeout = 10")
        with pytest.raises(OperationalError):
            cursor.execute("SELECT pg_sleep(5)")
    with questions() as asked:
        next_request()
    assert asked == [True]


def test_one_that_has_something_to_read_is_asked() -> None:
    with connection.cursor() as cursor:
        cursor.execute("LISTEN zonebook_test")
    with another_connection() as other:
        other.execute("NOTIFY zonebook_test")
    with questions() as asked:
        next_request()
    assert asked == [True]
