"""/healthz and /readyz: open, brief, and no more hopeful than they should be."""

import pytest
from django.db import OperationalError, connection
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client


def test_alive_without_a_database(client: Client) -> None:
    answer = client.get("/healthz")
    assert (answer.status_code, answer.json()) == (200, {"status": "alive"})
    assert "no-store" in answer.headers["Cache-Control"]


@pytest.mark.django_db
def test_ready_with_every_migration(client: Client) -> None:
    answer = client.get("/readyz")
    assert (answer.status_code, answer.json()) == (200, {"status": "ready"})


@pytest.mark.django_db
def test_not_ready_while_a_migration_is_missing(client: Client) -> None:
    MigrationRecorder(connection).record_unapplied("sessions", "0001_initial")
    answer = client.get("/readyz")
    assert (answer.status_code, answer.json()) == (503, {"status": "migrations pending"})


def test_not_ready_without_a_database(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse() -> None:
        raise OperationalError("connection refused by postgres://user:secret@db")

    monkeypatch.setattr(connection, "cursor", refuse)
    monkeypatch.setattr(connection, "ensure_connection", refuse)
    answer = client.get("/readyz")
    assert (answer.status_code, answer.json()) == (503, {"status": "no database"})


@pytest.mark.parametrize("address", ["/healthz", "/readyz"])
def test_nothing_but_looking(client: Client, address: str) -> None:
    assert client.post(address).status_code == 405
