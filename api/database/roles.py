"""The roles of an embedded server, and what the service's role may do with the tables that the owner makes.

`zonebook_cluster`  a superuser, for set-up only
`zonebook_owner`    owns the database, runs the migrations, may make databases (for tests)
`zonebook`          the service: neither superuser nor BYPASSRLS; reads and writes rows, defines nothing
"""

from typing import TYPE_CHECKING

from api.database.cluster import DATABASE, OWNER, SERVICE, SUPERUSER, Address
from api.database.home import Home

if TYPE_CHECKING:
    from django.db.backends.base.base import BaseDatabaseWrapper

_PREPARED = "1"  # raise when `prepare` does more, so that it runs again on clusters made before
_ATTRIBUTES = {
    OWNER: "LOGIN NOSUPERUSER CREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS",
    SERVICE: "LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS",
}


def prepare(home: Home, address: Address) -> None:
    """Make the roles and the database of an embedded server, once. What is there already stays."""
    if home.prepared.is_file() and home.prepared.read_text() == _PREPARED:
        return
    # Imported here: the keeper, which never gets this far, starts in a third of the time without it
    import psycopg
    from psycopg import sql

    with psycopg.connect(
        host=address.host,
        port=address.port,
        user=SUPERUSER,
        password=address.password,
        dbname="postgres",
        autocommit=True,
    ) as connection:
        for role, attributes in _ATTRIBUTES.items():
            name = sql.Identifier(role)
            if not connection.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", [role]).fetchone():
                connection.execute(sql.SQL("CREATE ROLE {}").format(name))
            password = sql.SQL(" PASSWORD {}").format(address.password) if address.password else sql.SQL("")
            connection.execute(sql.SQL("ALTER ROLE {} " + attributes + "{}").format(name, password))
        # The owner can take the service's place, so that a test can show what the service may not do
        connection.execute(sql.SQL("GRANT {} TO {}").format(sql.Identifier(SERVICE), sql.Identifier(OWNER)))
        if not connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [DATABASE]).fetchone():
            connection.execute(
                sql.SQL("CREATE DATABASE {} OWNER {}").format(sql.Identifier(DATABASE), sql.Identifier(OWNER))
            )
    home.prepared.write_text(_PREPARED)


def grant_service(connection: "BaseDatabaseWrapper", service: str) -> None:
    """Let the role `service` use what the role of `connection` has made and will make in this database.

    Done once per database: a migration may take back a right (rows that are only ever added), and a later run
    must not give it again."""
    quoted = connection.ops.quote_name(service)
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_user")
        (owner,) = cursor.fetchone()
        if owner == service:
            return
        cursor.execute(
            "SELECT 1 FROM pg_default_acl AS defaults, aclexplode(defaults.defaclacl) AS granted WHERE "
            "defaults.defaclrole = %s::regrole AND granted.grantee = %s::regrole",
            [connection.ops.quote_name(owner), quoted],
        )
        if cursor.fetchone():
            return
        for statement in (
            "GRANT USAGE ON SCHEMA public TO {}",
            "GRANT SELECT, INSERT, UPDATE, DELETE ON ALL TABLES IN SCHEMA public TO {}",
            "GRANT USAGE, SELECT ON ALL SEQUENCES IN SCHEMA public TO {}",
            "ALTER DEFAULT PRIVILEGES IN SCHEMA public GRANT SELECT, INSERT, UPDATE, DELETE ON TABLES TO {}",
            "ALTER DEFAULT PRIVILEGES IN SCHEMA public GRANT USAGE, SELECT ON SEQUENCES TO {}",
        ):
            cursor.execute(statement.format(quoted))
