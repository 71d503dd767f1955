"""What the publisher writes on an event: its name for receivers, its number among those of its subject."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("sites", "0040_feed")]
    operations = [
        migrations.AddField(
            "event",
            "uid",
            models.UUIDField(null=True, editable=False, help_text="What a receiver knows it by."),
        ),
        migrations.AddField(
            "event",
            "subject_number",
            models.BigIntegerField(
                null=True, editable=False, help_text="Its number among the events of its subject."
            ),
        ),
        migrations.AddField("event", "published_at", models.DateTimeField(null=True, editable=False)),
        migrations.AlterField(
            "event",
            "sequence",
            models.BigIntegerField(
                null=True,
                unique=True,
                editable=False,
                help_text="Its place in the feed, without gaps; blank: not published yet. It is never shown: "
                "its gaps would tell of other customers.",
            ),
        ),
    ]
