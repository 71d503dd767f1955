"""A connection to an embedded server that was killed a moment ago."""

from __future__ import annotations

from typing import Any

import psycopg
import pytest
from django.db.backends.postgresql import base as postgresql

from api.database.backend import base
from api.database.cluster import Address

DEAD, NEW = Address("/dead", 5432, ""), Address("/new", 5432, "")


@pytest.fixture
def wrapper(monkeypatch: pytest.MonkeyPatch) -> base.DatabaseWrapper:
    """One whose server is seen once more after it was killed, and is new only then."""
    monkeypatch.setattr(base, "PAUSES_S", (0.0, 0.0))
    found = iter([DEAD, NEW, NEW])
    monkeypatch.setattr(base.DatabaseWrapper, "join_server", lambda _self, again: again and next(found))
    return base.DatabaseWrapper({"DATA_DIR": "/nowhere"})


def _connects(monkeypatch: pytest.MonkeyPatch, *, where: str) -> list[str]:
    asked = []

    def connect(_self: Any, conn_params: dict[str, Any]) -> str:
        asked.append(conn_params["host"])
        if conn_params["host"] != where:
            raise psycopg.OperationalError("server closed the connection unexpectedly")
        return "a connection"

    monkeypatch.setattr(postgresql.DatabaseWrapper, "get_new_connection", connect)
    return asked


def test_it_is_looked_for_until_it_is_new(
    wrapper: base.DatabaseWrapper, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = _connects(monkeypatch, where=NEW.host)
    assert wrapper.get_new_connection({"host": DEAD.host}) == "a connection"
    assert asked == [DEAD.host, DEAD.host, NEW.host]


def test_one_that_never_answers_is_said(
    wrapper: base.DatabaseWrapper, monkeypatch: pytest.MonkeyPatch
) -> None:
    _connects(monkeypatch, where="/elsewhere")
    with pytest.raises(psycopg.OperationalError, match="closed the connection"):
        wrapper.get_new_connection({"host": DEAD.host})
