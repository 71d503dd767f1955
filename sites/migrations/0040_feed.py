"""How far the feed of events has come, and in which database."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("sites", "0039_event_subjects")]
    operations = [
        migrations.CreateModel(
            name="Feed",
            fields=[
                ("id", models.PositiveSmallIntegerField(primary_key=True, serialize=False)),
                (
                    "epoch",
                    models.UUIDField(
                        null=True,
                        help_text="New where the database is another one than before; blank: nothing "
                        "published yet.",
                    ),
                ),
                (
                    "database",
                    models.CharField(
                        max_length=100,
                        blank=True,
                        help_text="Of which database the epoch is: system identifier, id, timeline.",
                    ),
                ),
                (
                    "began_after",
                    models.BigIntegerField(default=0, help_text="The last sequence before this epoch."),
                ),
                ("published", models.BigIntegerField(default=0, help_text="The last sequence.")),
                (
                    "forgotten",
                    models.BigIntegerField(default=0, help_text="The last sequence that is kept no longer."),
                ),
                (
                    "held_since",
                    models.DateTimeField(
                        null=True,
                        help_text="Since when nothing is pushed, until somebody releases it; blank: it is.",
                    ),
                ),
            ],
            options={
                "db_table": "feed",
                "constraints": [models.CheckConstraint(condition=models.Q(id=1), name="feed_is_one")],
            },
        )
    ]
