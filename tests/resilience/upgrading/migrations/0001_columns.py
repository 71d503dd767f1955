"""Columns that have a default in the database: code that does not know them goes on writing."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("zones", "__first__")]  # applied where a fleet is, so after all of a release's own
    operations = [
        migrations.RunSQL(
            "ALTER TABLE point ADD COLUMN walked_by text NOT NULL DEFAULT ''",
            "ALTER TABLE point DROP COLUMN walked_by",
        ),
        migrations.RunSQL(
            "ALTER TABLE run ADD COLUMN walked_on date, ADD COLUMN walks integer NOT NULL DEFAULT 0",
            "ALTER TABLE run DROP COLUMN walked_on, DROP COLUMN walks",
        ),
    ]
