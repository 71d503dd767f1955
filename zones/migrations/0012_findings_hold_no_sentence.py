"""A finding stores codes, ids and values: its sentences are rendered when it is read."""

import django.contrib.postgres.fields
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("zones", "0011_one_index_each")]
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
    ]
