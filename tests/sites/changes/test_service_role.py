"""The service's role, which is not a superuser, writes the record through triggers and cannot forge it."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager

import pytest
from django.db import ProgrammingError, connection

from sites.models import Closet
from sites.models.changes import Change, Mark
from tests import factories
from tests.sites.changes.rows import sql

pytestmark = pytest.mark.django_db
AsService = Callable[[], AbstractContextManager[None]]


def test_it_writes_through_operations(as_service: AsService, closet: Closet) -> None:
    changes, marks = Change.objects.count(), Mark.objects.count()
    with as_service():
        supply = factories.make_supply(closet)
    assert supply.facts.count() == 1
    assert Change.objects.count() == changes + 3  # the model, the supply, its facts
    assert Mark.objects.count() == marks + 1


def test_it_reads_and_deletes_marks(as_service: AsService, closet: Closet) -> None:
    factories.make_supply(closet)
    with as_service():
        assert Mark.objects.all().delete()[0] > 0


@pytest.mark.parametrize(
    "statement",
    [
        "INSERT INTO change (change_set_id, table_name, operation, row_count) VALUES (1, 'x', 'x', 1)",
        "UPDATE change SET row_count = 0",
        "DELETE FROM change",
        "TRUNCATE change",
        "TRUNCATE block CASCADE",
        "SELECT zonebook_note(1, 1, 'block', 'insert', 1, NULL, NULL)",
        "DELETE FROM secret_reveal",
        "ALTER TABLE block DISABLE TRIGGER ALL",
        "SET session_replication_role = 'replica'",
    ],
)
def test_it_may_not_touch_the_change_record(as_service: AsService, statement: str) -> None:
    with pytest.raises(ProgrammingError, match=r"permission denied|must be owner"), as_service():
        sql(statement)


def test_functions_that_act_as_owner_search_no_other_schema(db: None) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT proname FROM pg_proc WHERE prosecdef AND pronamespace = 'public'::regnamespace "
            "AND NOT coalesce(proconfig, '{}') @> ARRAY['search_path=pg_catalog, public, pg_temp']"
        )
        assert cursor.fetchall() == []
        cursor.execute("SELECT count(*) FROM pg_proc WHERE prosecdef AND proname LIKE 'zonebook%'")
        assert cursor.fetchone()[0] > 5
