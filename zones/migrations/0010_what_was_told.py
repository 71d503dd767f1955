"""What events have said of cases and findings, so that nothing is told twice and no change is lost in small
steps. The new columns have defaults in the database: writers of the version before go on meanwhile.
"""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("sites", "0009_outbox"),
        ("zones", "0009_search"),
    ]

    operations = [
        migrations.AddField(
            model_name="case",
            name="told_at",
            field=models.DateTimeField(
                editable=False,
                help_text="When an event first spoke of the case since it opened; blank: nobody was told.",
                null=True,
            ),
        ),
        migrations.AddField(
            model_name="case",
            name="ticket_by",
            field=models.CharField(
                blank=True,
                db_default="",
                default="",
                editable=False,
                help_text="Who gave the ticket's reference.",
                max_length=150,
            ),
        ),
        migrations.AddField(
            model_name="finding",
            name="told_excess",
            field=models.FloatField(
                editable=False,
                help_text="Likely figure less limit when it last opened or changed: from there 5 % of the "
                "limit is measured, however many rechecks lie between.",
                null=True,
            ),
        ),
        migrations.AddField(
            model_name="finding",
            name="recomputed",
            field=models.BooleanField(
                db_default=False,
                default=False,
                editable=False,
                help_text="Its last change came from a new formula and from nothing in the record: no event.",
            ),
        ),
        migrations.CreateModel(
            name="Takeover",
            fields=[
                (
                    "site",
                    models.OneToOneField(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.CASCADE,
                        primary_key=True,
                        related_name="+",
                        serialize=False,
                        to="sites.site",
                    ),
                ),
                ("told_at", models.DateTimeField()),
            ],
            options={
                "db_table": "takeover",
            },
        ),
    ]
