"""A change set that was recorded today can be withdrawn whole."""

import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models
from django.db.models.functions import Now

from sites import fields
from sites.changes.sql_v1 import install
from sites.changes.sql_v2 import withdrawal


class Migration(migrations.Migration):
    dependencies = [("sites", "0007_done_by_is_a_line")]
    operations = [
        migrations.CreateModel(
            name="Withdrawal",
            fields=[
                (
                    "change_set",
                    models.OneToOneField(
                        on_delete=django.db.models.deletion.PROTECT,
                        primary_key=True,
                        related_name="withdrawal",
                        serialize=False,
                        to="sites.changeset",
                    ),
                ),
                (
                    "user",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("actor", fields.LineField(max_length=150)),
                ("reason", fields.NoteField(blank=False, max_length=2000)),
                ("withdrawn_at", models.DateTimeField(db_default=Now())),
            ],
            options={"db_table": "withdrawal"},
        ),
        install(withdrawal.WITHDRAWALS),
        *[migrations.RunSQL(new, old) for new, old in withdrawal.standing_aside()],
    ]
