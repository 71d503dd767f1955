"""What a transaction in a snapshot sees, and what it leaves behind in its session."""

from __future__ import annotations

import threading

import pytest
from django.db import InternalError, OperationalError, connection, connections, transaction

from sites.models import Customer
from sites.snapshot import reading_snapshot, snapshot
from tests import factories

pytestmark = pytest.mark.django_db(transaction=True)


def _shown(setting: str) -> str:
    with connection.cursor() as cursor:
        cursor.execute(f"SHOW {setting}")
        (value,) = cursor.fetchone()
    return str(value)


def test_it_sees_nothing_that_comes_later() -> None:
    def another() -> None:
        try:
            factories.make_customer()
        finally:
            connections.close_all()

    with snapshot():
        before = Customer.objects.count()
        meanwhile = threading.Thread(target=another)
        meanwhile.start()
        meanwhile.join()
        assert Customer.objects.count() == before
    assert Customer.objects.count() == before + 1


def test_one_that_reads_writes_nothing() -> None:
    with pytest.raises(InternalError, match="read-only transaction"), reading_snapshot():
        factories.make_customer()


def test_one_that_reads_is_part_of_a_transaction_that_is_open() -> None:
    with transaction.atomic(), reading_snapshot():
        assert _shown("transaction_isolation") == "read committed"


def test_the_next_transaction_of_the_session_is_an_ordinary_one() -> None:
    with reading_snapshot():
        assert (_shown("transaction_isolation"), _shown("transaction_read_only")) == ("repeatable read", "on")
    with transaction.atomic():
        assert (_shown("transaction_isolation"), _shown("transaction_read_only")) == ("read committed", "off")


def test_none_begins_within_another_transaction() -> None:
    with transaction.atomic(), pytest.raises(RuntimeError, match="has begun"), snapshot():
        pass
    factories.make_customer()


def test_a_session_that_is_lost_inside_says_so_and_the_next_one_is_ordinary() -> None:
    with pytest.raises(OperationalError), snapshot(), connection.cursor() as cursor:
        cursor.execute("SELECT pg_terminate_backend(pg_backend_pid())")
    connection.close()
    assert _shown("transaction_isolation") == "read committed"
