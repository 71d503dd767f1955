"""No two log-in names differ in capital letters only. `person add` never let one in; Django's
`createsuperuser` did."""

from typing import Any

from django.core.management import CommandError
from django.db import migrations, models
from django.db.models.functions import Lower

INDEX = "CREATE UNIQUE INDEX CONCURRENTLY account_username_once ON account (lower(username))"


def name_the_alike(apps: Any, schema_editor: Any) -> None:  # noqa: ARG001 - Django's signature
    """The database's own error would name one of them, in small letters."""
    with schema_editor.connection.cursor() as cursor:
        cursor.execute(
            "SELECT string_agg(username, ' and ' ORDER BY username) FROM account GROUP BY lower(username) "
            "HAVING count(*) > 1 ORDER BY 1"
        )
        alike = [names for (names,) in cursor.fetchall()]
    if alike:
        raise CommandError(
            f"These log-in names differ in capital letters only: {'; '.join(alike)}. Rename all but one of "
            "them in the column account.username, tell these users, and migrate again."
        )


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0017_keys_left_events")]
    operations = [
        migrations.RunPython(name_the_alike, migrations.RunPython.noop),
        migrations.RunSQL(
            INDEX,
            "DROP INDEX CONCURRENTLY IF EXISTS account_username_once",
            state_operations=[
                migrations.AddConstraint(
                    "User", models.UniqueConstraint(Lower("username"), name="account_username_once")
                )
            ],
        ),
    ]
