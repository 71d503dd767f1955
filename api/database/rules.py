"""What the service requires of a database, checked on the first connection of every process: web server,
worker, command."""

from typing import Any, Final

import structlog
from django.conf import settings
from django.core.exceptions import ImproperlyConfigured
from django.db import DEFAULT_DB_ALIAS, OperationalError
from django.db import connection as default_connection
from django.db.backends.base.base import BaseDatabaseWrapper

from api.database.programs import OLDEST_MAJOR

_seen: set[str] = set()


def refuse_unfit_database(*, connection: BaseDatabaseWrapper, **_signal: Any) -> None:
    """Receiver of `connection_created`: raise ImproperlyConfigured for a server too old and, in production,
    for a role that the rules of the database do not bind."""
    if connection.alias in _seen:
        return
    reason = unfit_because(connection)
    if reason:
        connection.close()
        raise ImproperlyConfigured(reason)
    _seen.add(connection.alias)


AROUND_GRANTS: Final = (
    "pg_write_all_data",
    "pg_read_all_data",
    "pg_execute_server_program",
    "pg_read_server_files",
    "pg_write_server_files",
)
"""Roles of PostgreSQL (its documentation, "Predefined Roles") whose members need no grant."""


def unfit_because(connection: BaseDatabaseWrapper) -> str | None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_setting('server_version_num')::int / 10000")
        (major,) = cursor.fetchone()
    if major < OLDEST_MAJOR:
        return f"The database server is PostgreSQL {major}; {OLDEST_MAJOR} or newer is needed."
    if not settings.IN_PRODUCTION or connection.alias != DEFAULT_DB_ALIAS:
        return None
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT rolname, CASE
                   WHEN rolsuper THEN 'is a superuser'
                   WHEN rolbypassrls THEN 'has BYPASSRLS'
                   WHEN rolcreaterole THEN 'has CREATEROLE, and can become the one that owns the tables'
                   WHEN current_setting('session_replication_role') <> 'origin'
                       THEN 'begins with session_replication_role set, which switches off triggers'
                   WHEN EXISTS (
                       SELECT FROM pg_class WHERE relkind IN ('r', 'p')
                           AND relnamespace = ANY(current_schemas(false)::regnamespace[])
                           AND pg_has_role(relowner, 'MEMBER')
                   ) THEN 'owns tables, and can switch off their triggers'
                   WHEN EXISTS (
                       SELECT FROM pg_proc WHERE prorettype = 'trigger'::regtype
                           AND pronamespace = ANY(current_schemas(false)::regnamespace[])
                           AND pg_has_role(proowner, 'MEMBER')
                   ) THEN 'owns functions of triggers, and can replace them'
                   WHEN has_parameter_privilege('session_replication_role', 'SET')
                       THEN 'may set session_replication_role, which switches off triggers'
                   ELSE (
                       SELECT 'is a member of ' || of.rolname || ', which goes around what is granted'
                       FROM pg_roles AS of
                       WHERE of.rolname = ANY(%s) AND pg_has_role(pg_roles.oid, of.oid, 'MEMBER')
                       ORDER BY of.rolname LIMIT 1
                   )
               END FROM pg_roles WHERE rolname = current_user""",
            [[*AROUND_GRANTS]],
        )
        role, unsafe = cursor.fetchone()
    if unsafe:
        return (
            f"The database role {role} {unsafe}, and in production the service's must not: no rule of the "
            "database would bind it. Give a role of its own in DATABASE_URL, and the one that owns the "
            "tables in DATABASE_OWNER_URL."
        )
    return None


def look_at_start() -> None:
    """Refuse to start on an unfit database. A database that does not answer yet is not refused: `/readyz`
    says so, and the first connection looks again."""
    try:
        default_connection.ensure_connection()
    except OperationalError as error:
        structlog.get_logger(__name__).warning("database does not answer yet", reason=str(error))
    finally:
        default_connection.close()  # workers are forked after this
