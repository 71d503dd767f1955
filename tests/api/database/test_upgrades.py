"""Each migration since the last release leaves that release running: it stops no session, breaks nothing, and
can be taken back. What it may not do is shown first, so that the check is known to see it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import connection, connections, models
from django.db.migrations import (
    AddConstraint,
    AddField,
    AddIndex,
    AlterField,
    CreateModel,
    Migration,
    RemoveField,
    RenameField,
    RunSQL,
    SeparateDatabaseAndState,
)
from django.db.migrations.executor import MigrationExecutor
from django.db.migrations.operations.base import Operation
from django.db.migrations.state import ProjectState
from pytest_django import Settings

from api.database.releases import RELEASES
from tests.api.database.effects import catalogue, faults_of, read_by, undone

MADE_UP = "upgrading"
"""The app whose migrations are those of a made-up next release."""
SQL = RunSQL


@pytest.fixture
def upgraded(transactional_db: None) -> Iterator[None]:
    """The test's database once more, for what cannot be undone by a rollback."""
    name = connection.settings_dict["NAME"]
    connection.close()
    connection.creation.clone_test_db("upgraded", verbosity=0)
    databases = [connections[alias].settings_dict for alias in connections]
    for database in databases:
        database["NAME"] = f"{name}_upgraded"
    yield
    for database in databases:
        database["NAME"] = name
    connection.close()
    connection.creation.destroy_test_db(suffix="upgraded", verbosity=0)


@pytest.fixture
def released(upgraded: None) -> ProjectState:
    """A database that has the migrations of the last release, and no more; the models of that release."""
    with connection.cursor() as cursor:
        cursor.execute("DROP SCHEMA public CASCADE; CREATE SCHEMA public")
    heads = RELEASES[-1].heads if RELEASES else {}
    executor = MigrationExecutor(connection)
    wanted = [head for head in executor.loader.graph.leaf_nodes() if head[0] not in heads]
    executor.migrate([*wanted, *heads.items()])
    return executor.loader.project_state(list(heads.items()) or wanted)


def make(*operations: Operation, atomic: bool = True) -> Migration:
    made: type[Migration] = type("Made", (Migration,), {"operations": list(operations), "atomic": atomic})
    return made("next", "zones")


def faults(migration: Migration) -> list[str]:
    """What is wrong with it, coming after all that there are."""
    state = MigrationExecutor(connection).loader.project_state()
    return faults_of(migration, state, catalogue(), read_by(state))


RANKED = models.Q(rank__gte=-1)
SITE = models.ForeignKey("sites.Site", models.PROTECT, related_name="+", null=True)
NOTE = models.TextField(blank=True, default="", db_default="")

GOOD = {
    "a column with a default in the database": [AddField("point", "note", NOTE)],
    "a column that may be empty": [AddField("run", "length_m", models.FloatField(null=True))],
    "a table": [CreateModel("Walk", [("id", models.BigAutoField(primary_key=True)), ("site", SITE)])],
    "a rule for what comes": [
        SQL("ALTER TABLE point ADD CONSTRAINT point_ranks CHECK (rank >= -1) NOT VALID")
    ],
    "a longer text": [SQL('ALTER TABLE "case" ALTER ticket_by TYPE varchar(500)')],
    "a function's new body": [
        SQL(
            "CREATE OR REPLACE FUNCTION zonebook_joined(words varchar[]) RETURNS text LANGUAGE sql IMMUTABLE "
            "RETURN array_to_string(words, '')"
        )
    ],
    "what the models no longer name": [
        SQL("ALTER TABLE point ADD old_note text; ALTER TABLE point DROP old_note")
    ],
}


@pytest.mark.django_db
@pytest.mark.parametrize("operations", GOOD.values(), ids=GOOD.keys())
def test_what_it_may_do(operations: list[Operation]) -> None:
    with undone():
        assert faults(make(*operations)) == []


BAD = {
    "a column that every row gets a value of its own in": (
        [SQL("ALTER TABLE point ADD token uuid NOT NULL DEFAULT gen_random_uuid()")],
        ["rewrites point"],
    ),
    "another type": (
        [SQL("ALTER TABLE contract ALTER response_hours TYPE integer")],
        ["rewrites contract", "changes the type of contract.response_hours"],
    ),
    "another type, as Django changes it": (
        [AlterField("case", "ticket_reference", models.CharField(max_length=3))],
        ["rewrites case", "changes the type of case.ticket_reference"],
    ),
    "a table rewritten": ([SQL("ALTER TABLE takeover SET UNLOGGED")], ["rewrites takeover"]),
    "an index": (
        [AddIndex("point", models.Index(fields=["rank"], name="point_ranked"))],
        ["reads point through while none may write to it"],
    ),
    "an index in SQL": (
        [SQL("CREATE INDEX zone_named ON zone USING gin (zonebook_folded(name) gin_trgm_ops)")],
        ["reads zone through while none may write to it"],
    ),
    "a rule at once for all rows": (
        [AddConstraint("point", models.CheckConstraint(condition=RANKED, name="point_ranks"))],
        ["reads point through while none may write to it"],
    ),
    "a reference at once for all rows": (
        [SQL("ALTER TABLE point ADD CONSTRAINT p_of_site FOREIGN KEY (site_id) REFERENCES site")],
        ["reads point through while none may write to it"],
    ),
    "a reference at once for all rows, along an index": (
        [
            SQL("SET LOCAL enable_seqscan = off"),
            SQL("ALTER TABLE point ADD CONSTRAINT p_of_site FOREIGN KEY (site_id) REFERENCES site"),
        ],
        ["reads point through while none may write to it"],
    ),
    "a column that must be filled": (
        [SQL("ALTER TABLE point ADD note text NOT NULL")],
        [
            "reads point through while none may write to it",
            "wants point.note filled, of which the last release knows nothing",
        ],
    ),
    "a column whose default is Django's alone": (
        [AddField("point", "note", models.TextField(default=""))],
        ["wants point.note filled, of which the last release knows nothing"],
    ),
    "nothing empty any more": (
        [SQL("ALTER TABLE contract ALTER response_hours SET NOT NULL")],
        [
            "reads contract through while none may write to it",
            "has contract.response_hours filled always, which the last release need not do",
        ],
    ),
    "a default that goes": (
        [SQL("ALTER TABLE point ALTER change_set_id DROP DEFAULT")],
        ["takes the default of point.change_set_id away"],
    ),
    "a column that goes": (
        [RemoveField("zone", "page_code")],
        ["takes zone.page_code away, which the last release reads"],
    ),
    "a column by another name": (
        [RenameField("point", "rank", "place")],
        [
            "takes point.rank away, which the last release reads",
            "wants point.place filled, of which the last release knows nothing",
        ],
    ),
    "a table that goes": (
        [SQL("DROP TABLE takeover")],
        [
            "takes takeover.notified_at away, which the last release reads",
            "takes takeover.site_id away, which the last release reads",
        ],
    ),
    "a function that goes": (
        [SQL("DROP FUNCTION zonebook_joined(character varying[]) CASCADE")],
        ["takes zonebook_joined(character varying[]) away, which the last release may call"],
    ),
    "a fill in one transaction": (
        [SQL("UPDATE django_content_type SET model = upper(model)")],
        ["writes to django_content_type all through in one transaction"],
    ),
}  # fmt: skip


@pytest.mark.django_db
@pytest.mark.parametrize(("operations", "expected"), BAD.values(), ids=BAD.keys())
def test_what_it_may_not_do(operations: list[Operation], expected: list[str]) -> None:
    with undone():
        assert faults(make(*operations)) == expected


def test_what_needs_more_than_one_transaction(upgraded: None) -> None:
    rule = "ALTER TABLE point ADD CONSTRAINT point_ranks CHECK (rank >= -1) NOT VALID"
    validate = "ALTER TABLE point VALIDATE CONSTRAINT point_ranks"
    with undone():
        assert faults(make(SQL(rule), SQL(validate))) == ["reads point through while none may write to it"]
    assert faults(make(SQL(rule))) == []
    assert faults(make(SQL(validate))) == []
    ranked = models.Index(fields=["rank"], name="point_ranked")
    assert faults(make(AddIndexConcurrently("point", ranked), atomic=False)) == []
    assert faults(make(SQL("DROP INDEX CONCURRENTLY IF EXISTS point_ranked"), atomic=False)) == []
    indexes = [SQL(f"CREATE INDEX CONCURRENTLY point_{n} ON point (rank)") for n in range(2)]
    assert faults(make(*indexes, atomic=False)) == []
    for once in ("ALTER TABLE point ADD note text", "DROP INDEX CONCURRENTLY point_0"):
        (fault,) = faults(make(SQL(once), atomic=False))
        assert fault.startswith("is not atomic, and could not be made again")


@pytest.mark.django_db
def test_a_column_goes_once_the_last_release_does_not_read_it() -> None:
    state = MigrationExecutor(connection).loader.project_state()
    unread = make(SeparateDatabaseAndState(state_operations=[RemoveField("zone", "page_code")]))
    with undone():
        released = unread.mutate_state(state)
        drop = make(SQL("ALTER TABLE zone DROP COLUMN page_code CASCADE"))
        assert faults_of(drop, released, catalogue(), read_by(released)) == []


@pytest.mark.django_db
def test_what_a_rule_holds_already_may_be_declared() -> None:
    state = MigrationExecutor(connection).loader.project_state()
    with undone():
        with connection.cursor() as cursor:
            cursor.execute("ALTER TABLE contract ADD CONSTRAINT hours CHECK (response_hours IS NOT NULL)")
        declare = make(SQL("ALTER TABLE contract ALTER response_hours SET NOT NULL"))
        assert faults_of(declare, state, catalogue(), read_by(state)) == []


def test_every_migration_since_the_last_release(released: ProjectState, settings: Settings) -> None:
    """One by one, on the database that the last release made; and those of a made-up next release. Before the
    first release, the present migrations stand for it. (That each can be taken back is shown under load.)"""
    settings.INSTALLED_APPS = [*settings.INSTALLED_APPS, f"tests.resilience.{MADE_UP}"]
    executor = MigrationExecutor(connection)
    before, reads = catalogue(), read_by(released.clone())
    found, state = {}, released
    for migration, _ in executor.migration_plan(executor.loader.graph.leaf_nodes()):
        # A state whose models were made makes them again after every operation: each gets a fresh one
        following = migration.mutate_state(state)
        found[str(migration)] = faults_of(migration, state, before, reads)
        state = following
        executor.recorder.record_applied(migration.app_label, migration.name)
    assert [name for name in found if name.startswith(MADE_UP)], "nothing was made up"
    assert not any(found.values()), found
