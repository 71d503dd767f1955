"""When two requests write one version at once, one succeeds."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

import pytest
from django.db import connections

from sites.models import User
from tests.api.conftest import Caller
from tests.api.v1.writes import WHY, patch


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("resource", ["closets", "customers", "coverages"])
def test_of_two_who_read_the_same_version_one_writes(
    things: dict[str, tuple[int, dict[str, Any]]],
    manager: User,
    with_token: Caller,
    resource: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Both pass If-Match; the version is looked at once more under the lock."""
    number, altered = things[resource]
    address = f"{resource}/{number}"
    client = with_token(manager)
    before = client.get(f"/api/v1/{address}")
    together = Barrier(2, timeout=30)
    monkeypatch.setattr("api.conventions.writing.Writing.read", _waiting_at(together))

    def write(_: int) -> int:
        try:
            status: int = patch(client, address, {**altered, "change": WHY}, before["ETag"]).status_code
            return status
        finally:
            connections.close_all()

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(write, range(2))) == [200, 412]


def _waiting_at(barrier: Barrier) -> Callable[..., Any]:
    from api.conventions.writing import Writing

    read = Writing.read

    def read_and_wait(self: Writing, *args: Any) -> Any:
        found = read(self, *args)
        barrier.wait()
        return found

    return read_and_wait
