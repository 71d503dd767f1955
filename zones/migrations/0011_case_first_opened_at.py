"""A case keeps when it opened the first time."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("zones", "0010_shares_of_segments_hold")]
    operations = [
        migrations.AddField(
            "Case",
            "first_opened_at",
            models.DateTimeField(
                null=True, editable=False, help_text="When it opened the first time; null: not recorded."
            ),
        ),
        migrations.AlterField(
            "Case",
            "opened_at",
            models.DateTimeField(help_text="When it opened; where it opened again, the last time."),
        ),
    ]
