"""The previous release wrote the place of keys into events. No reader of the feed gets it."""

from __future__ import annotations

import importlib
from typing import Any

from django.db import connection

from sites.models import Event, Site
from tests.api.events.telling import happen

OLD: dict[str, Any] = {
    "site": {"name": "Quay 9"},
    "closets": [
        {"id": 1, "name": "IDF 1", "key_location": "security desk"},
        {"id": 2, "name": "IDF 2", "key_location": "harbour office"},
    ],
}
WITHOUT = {"site": {"name": "Quay 9"}, "closets": [{"id": 1, "name": "IDF 1"}, {"id": 2, "name": "IDF 2"}]}


def test_what_the_release_before_writes_is_kept_without_the_place_of_a_key(site: Site) -> None:
    happen(site, "cases/1", body=OLD)
    happen(site, "cases/2", body=WITHOUT)
    happen(site, "change-sets/1", body={"site": {"name": "Quay 9"}})
    assert list(Event.objects.order_by("id").values_list("body", flat=True)) == [
        WITHOUT,
        WITHOUT,
        {"site": {"name": "Quay 9"}},
    ]


def test_what_was_written_before_the_upgrade_loses_it_too(site: Site) -> None:
    migration = importlib.import_module("sites.migrations.0017_keys_left_events").Migration
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE event DISABLE TRIGGER event_without_key")
        happen(site, "cases/1", body=OLD)
        cursor.execute("ALTER TABLE event ENABLE TRIGGER event_without_key")
        assert Event.objects.get().body == OLD
        cursor.execute(migration.operations[0].sql)
    assert Event.objects.get().body == WITHOUT
