"""A finding stores codes, ids and values: its sentences are rendered when it is read."""

import django.contrib.postgres.fields
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("zones", "0012_what_bears_on_zones")]
    operations = [
        migrations.RemoveField("finding", "reason"),
        migrations.AddField(
            "finding",
            "reasons",
            django.contrib.postgres.fields.ArrayField(
                base_field=models.TextField(),
                blank=True,
                default=list,
                help_text="Codes of why it cannot be computed, where that is the finding; of a whole site "
                "the error.",
                size=None,
            ),
        ),
        migrations.AlterField(
            "finding",
            "attribution",
            models.JSONField(
                help_text="What pushed it past its limit: codes, ids and values, which `named_changes` reads."
            ),
        ),
        migrations.AlterField(
            "finding",
            "recomputed",
            models.BooleanField(
                db_default=False,
                default=False,
                editable=False,
                help_text="Its last change came from a new formula, not from the record: no event.",
            ),
        ),
        migrations.AlterField(
            "case",
            "ticket_by",
            models.CharField(
                blank=True,
                db_default="",
                default="",
                editable=False,
                help_text="Who entered the ticket reference.",
                max_length=150,
            ),
        ),
        migrations.AlterField(
            "case",
            "told_at",
            models.DateTimeField(
                editable=False,
                help_text="Time of the first event since the case opened; blank: no event yet.",
                null=True,
            ),
        ),
    ]
