"""What the service's role may do with the tables that the owner makes."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from django.db.backends.base.base import BaseDatabaseWrapper


def grant_service(connection: BaseDatabaseWrapper, service: str) -> None:
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
