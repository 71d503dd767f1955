"""A change set says who did the work, where that is not who recorded it."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install

COLUMN = """ALTER TABLE change_set ADD COLUMN done_by varchar(150) DEFAULT '' NOT NULL"""
# Of the rows that are there it holds already; none of them is read through here
CHECK = """
ALTER TABLE change_set ADD CONSTRAINT change_set_done_by_check CHECK (zonebook_is_line(done_by)) NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("sites", "0005_rules")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [migrations.RunSQL(COLUMN, "ALTER TABLE change_set DROP COLUMN done_by"), install(CHECK)],
            [
                migrations.AddField(
                    "ChangeSet",
                    "done_by",
                    fields.LineField(blank=True, default="", db_default="", max_length=150),
                )
            ],
        )
    ]
