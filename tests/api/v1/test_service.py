"""A networked device is planned, in service or out of service, from a day on."""

from __future__ import annotations

import datetime as dt

import pytest
from django.test import Client

from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import get, patch
from tests.halls import Hall

DAY = (factories.BUILT_ON + dt.timedelta(days=100)).isoformat()
WHY = {"reason": "proven", "happened_on": DAY}


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def test_a_device_goes_into_service_on_a_day(hall: Hall, client: Client) -> None:
    address = f"endpoints/{hall.gateway.pk}"
    assert get(client, address)["service"] is None
    etag = client.get(f"/api/v1/{address}")["ETag"]
    patch(client, address, {"service": "in_service", "change": WHY}, etag)
    assert get(client, address)["service"] == "in_service"
    before = (dt.date.fromisoformat(DAY) - dt.timedelta(days=1)).isoformat()
    assert get(client, address, as_of=before)["service"] is None
    assert get(client, "endpoints", service="planned")["items"] == []
    found = get(client, "endpoints", service="in_service")["items"]
    assert [one["id"] for one in found] == [hall.gateway.pk]
