"""A user has a version, so that they are altered knowingly; and how often all their sessions were ended."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("sites", "0045_delivery_attempts")]
    operations = [
        migrations.AddField(
            "User", "version", models.BigIntegerField(db_default=1, default=1, editable=False)
        ),
        migrations.AddField(
            "User",
            "sessions_ended",
            models.IntegerField(
                db_default=0, default=0, editable=False, help_text="How often all their sessions were ended."
            ),
        ),
    ]
