"""What the owner's role and the service's role may do."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path

import psycopg
import pytest
from django.conf import settings
from django.core.management import call_command
from django.db import ProgrammingError, connection
from pytest_django import DjangoDbBlocker, Settings

from api.database import cluster, embedded, location
from api.database.backend.base import DatabaseWrapper
from api.database.rules import unfit_because

AsService = Callable[[], AbstractContextManager[None]]


@pytest.fixture
def host(data_dir: Path) -> Iterator[str]:
    yield embedded.join(data_dir)
    embedded.leave(data_dir)


def test_neither_role_stands_above_the_rules(host: str) -> None:
    with psycopg.connect(host=host, user=cluster.SERVICE, dbname=cluster.DATABASE) as service:
        found = service.execute(
            "SELECT rolname, rolsuper, rolbypassrls, rolcreaterole, rolcreatedb FROM pg_roles "
            "WHERE rolname = ANY(%s) ORDER BY rolname",
            [[cluster.SERVICE, cluster.OWNER]],
        ).fetchall()
        owner = service.execute(
            "SELECT pg_get_userbyid(datdba) FROM pg_database WHERE datname = current_database()"
        ).fetchone()
    assert found == [
        (cluster.SERVICE, False, False, False, False),
        (cluster.OWNER, False, False, False, True),
    ]
    assert owner == (cluster.OWNER,)


def test_the_service_defines_nothing(host: str) -> None:
    with (
        psycopg.connect(host=host, user=cluster.SERVICE, dbname=cluster.DATABASE) as service,
        pytest.raises(psycopg.errors.InsufficientPrivilege),
    ):
        service.execute("CREATE TABLE mine ()")


def test_the_owner_brings_the_extensions(host: str) -> None:
    with psycopg.connect(host=host, user=cluster.OWNER, dbname=cluster.DATABASE) as owner:
        for extension in ("pg_trgm", "btree_gist", "unaccent"):
            owner.execute(f"CREATE EXTENSION {extension}")
        assert owner.execute("SELECT unaccent('Kühlhaus')").fetchone() == ("Kuhlhaus",)


@pytest.fixture
def wrapper(
    host: str, data_dir: Path, django_db_blocker: DjangoDbBlocker
) -> Iterator[Callable[[str], DatabaseWrapper]]:
    """Connections of Django's to a server of its own, as a role."""
    made: list[DatabaseWrapper] = []

    def connect(role: str) -> DatabaseWrapper:
        database = settings.DATABASES["default"] | {
            "ENGINE": "api.database.backend",
            "NAME": cluster.DATABASE,
            "USER": role,
            "PASSWORD": "",
            "DATA_DIR": data_dir,
        }
        made.append(DatabaseWrapper(database))
        return made[-1]

    with django_db_blocker.unblock():
        yield connect
        for one in made:
            one.close()


@pytest.mark.parametrize(
    ("role", "production", "refused"),
    [
        (cluster.SUPERUSER, True, True),
        (cluster.SUPERUSER, False, False),
        (cluster.SERVICE, True, False),
    ],
)
def test_in_production_a_superuser_is_refused(
    wrapper: Callable[[str], DatabaseWrapper],
    settings: Settings,
    role: str,
    production: bool,
    refused: bool,
) -> None:
    settings.IN_PRODUCTION = production
    reason = unfit_because(wrapper(role))
    assert bool(reason) == refused
    assert reason is None or "DATABASE_OWNER_URL" in reason


def test_in_production_a_role_that_bypasses_row_security_is_refused(
    wrapper: Callable[[str], DatabaseWrapper], settings: Settings
) -> None:
    settings.IN_PRODUCTION = True
    with wrapper(cluster.SUPERUSER).cursor() as cursor:
        cursor.execute(f"ALTER ROLE {cluster.OWNER} BYPASSRLS")
    assert "BYPASSRLS" in str(unfit_because(wrapper(cluster.OWNER)))


@pytest.mark.parametrize(
    ("made_so", "said"),
    [
        (f"CREATE TABLE owned (); ALTER TABLE owned OWNER TO {cluster.SERVICE}", "owns tables"),
        (
            (
                f"CREATE TABLE kept (); ALTER TABLE kept OWNER TO {cluster.OWNER}; "
                f"REVOKE {cluster.SERVICE} FROM {cluster.OWNER}; "
                f"GRANT {cluster.OWNER} TO {cluster.SERVICE}"
            ),
            "owns tables",
        ),
        (f"GRANT SET ON PARAMETER session_replication_role TO {cluster.SERVICE}", "may set session_repl"),
        (f"ALTER ROLE {cluster.SERVICE} SET session_replication_role = replica", "begins with session_repl"),
        (f"ALTER ROLE {cluster.SERVICE} CREATEROLE", "has CREATEROLE"),
        (
            (
                "CREATE FUNCTION rule() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END'; "
                f"ALTER FUNCTION rule() OWNER TO {cluster.SERVICE}"
            ),
            "owns functions of triggers",
        ),
        *(
            (f"GRANT {role} TO {cluster.SERVICE}", f"is a member of {role}")
            for role in (
                "pg_write_all_data",
                "pg_read_all_data",
                "pg_execute_server_program",
                "pg_read_server_files",
                "pg_write_server_files",
            )
        ),
        (
            f"CREATE ROLE between; GRANT pg_write_all_data TO between; GRANT between TO {cluster.SERVICE}",
            "is a member of pg_write_all_data",
        ),
    ],
)
def test_in_production_a_role_that_is_not_bound_by_the_rules_is_refused(
    wrapper: Callable[[str], DatabaseWrapper], settings: Settings, made_so: str, said: str
) -> None:
    settings.IN_PRODUCTION = True
    assert unfit_because(wrapper(cluster.SERVICE)) is None
    with wrapper(cluster.SUPERUSER).cursor() as cursor:
        cursor.execute(made_so)
    assert said in str(unfit_because(wrapper(cluster.SERVICE)))


def test_a_server_killed_under_django_is_back_at_the_next_connection(
    wrapper: Callable[[str], DatabaseWrapper], data_dir: Path
) -> None:
    connection = wrapper(cluster.SERVICE)
    connection.ensure_connection()
    with embedded.start_lock(data_dir):
        cluster.stop(location.find(data_dir))
    connection.close()
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
        assert cursor.fetchone() == (1,)


def test_the_service_reads_and_writes_what_the_owner_made(as_service: AsService) -> None:
    with as_service(), connection.cursor() as cursor:
        cursor.execute("INSERT INTO django_session VALUES ('k', 'd', now())")
        cursor.execute("UPDATE django_session SET session_data = 'e'")
        cursor.execute("SELECT session_data FROM django_session")
        assert cursor.fetchall() == [("e",)]
        cursor.execute("DELETE FROM django_session")


@pytest.mark.parametrize(
    "statement", ["TRUNCATE django_session", "CREATE TABLE mine ()", "DROP TABLE django_session"]
)
def test_the_service_does_not_define_or_empty(as_service: AsService, statement: str) -> None:
    with pytest.raises(ProgrammingError), as_service(), connection.cursor() as cursor:
        cursor.execute(statement)


def test_a_right_that_a_migration_took_back_stays_back(as_service: AsService) -> None:
    with connection.cursor() as cursor:
        cursor.execute(f"REVOKE DELETE ON django_session FROM {settings.SERVICE_ROLE}")
    call_command("migrate", database="default", verbosity=0)
    with pytest.raises(ProgrammingError), as_service(), connection.cursor() as cursor:
        cursor.execute("DELETE FROM django_session")
