"""A person can be removed: the record stands, without their name."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models
from django.db.models.functions import Now

from sites import fields
from sites.changes.sql_v1 import install
from sites.changes.sql_v2 import removal


class Migration(migrations.Migration):
    dependencies = [("sites", "0023_endpoint_service_holds")]
    operations = [
        migrations.CreateModel(
            name="PersonRemoval",
            fields=[
                (
                    "user",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        primary_key=True,
                        related_name="removal",
                        serialize=False,
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "removed_by",
                    models.ForeignKey(
                        blank=True,
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "actor",
                    fields.LineField(help_text="Who removed them, as a person reads it.", max_length=150),
                ),
                ("reason", fields.NoteField(blank=False, max_length=2000)),
                ("removed_at", models.DateTimeField(db_default=Now())),
                (
                    "rows_changed",
                    models.JSONField(
                        default=dict,
                        help_text="How many rows of each table named the person, or had details of theirs.",
                    ),
                ),
            ],
            options={"db_table": "person_removal"},
        ),
        install(removal.REMOVALS),
        *[migrations.RunSQL(new, old) for new, old in removal.standing_aside()],
    ]
