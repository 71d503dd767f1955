"""A change set may be the correction of a site that an edit of the catalogue is."""

from django.db import migrations

from sites import fields

_CHECK = "ALTER TABLE change_set DROP CONSTRAINT change_set_kind_check, ADD CONSTRAINT change_set_kind_check"
_WORDS = ["work", "correction", "catalogue", "takeover"]


class Migration(migrations.Migration):
    dependencies = [("sites", "0011_commissioned_on_in_range")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [
                migrations.RunSQL(
                    f"{_CHECK} CHECK (kind IN ('work', 'correction', 'catalogue', 'takeover')) NOT VALID",
                    f"{_CHECK} CHECK (kind IN ('work', 'correction', 'takeover')) NOT VALID",
                )
            ],
            [
                migrations.AlterField(
                    "ChangeSet", "kind", fields.WordField(_WORDS, default="work", max_length=12)
                )
            ],
        )
    ]
