"""A customer says whether what technicians change is the record at once."""

from django.db import migrations

from sites import fields


class Migration(migrations.Migration):
    dependencies = [("sites", "0047_usernames_once")]
    operations = [
        migrations.AddField(
            "customer",
            "technicians_accept",
            fields.FlagField(
                db_default=True,
                default=True,
                help_text="What technicians change is the record at once; no: they send drafts, which a "
                "manager accepts. Readings are always taken.",
            ),
        ),
    ]
