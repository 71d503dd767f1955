"""A connection that is lost is the database's absence for a COPY too: a recheck and a request try again."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from django.db import OperationalError, connection
from django.utils import timezone

from sites.models.outbox import Event
from sites.outbox.services import events_write
from tests.zones.recheck.conftest import another_connection
from zones.plant.selectors import read_plant

pytestmark = pytest.mark.django_db(transaction=True)


def _write_an_event() -> None:
    events_write([Event(kind="x", customer_id=1, site_id=1, subject="x/1", happened_at=timezone.now())])


@pytest.mark.parametrize("copied", [lambda: read_plant([1]), _write_an_event])
def test_a_connection_lost_before_a_copy(copied: Callable[[], None]) -> None:
    copied()
    with connection.cursor() as cursor, another_connection() as other:
        cursor.execute("SELECT pg_backend_pid()")
        other.execute("SELECT pg_terminate_backend(%s, 5000)", cursor.fetchone())
    with pytest.raises(OperationalError):
        copied()
    connection.close()
