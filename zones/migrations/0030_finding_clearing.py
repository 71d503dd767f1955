"""A finding keeps by what it cleared, with the figure after."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("zones", "0029_case_gravity")]
    operations = [
        migrations.AddField(
            "finding",
            "clearing",
            models.JSONField(
                editable=False,
                null=True,
                help_text="Of one that cleared: by what, and the figure after, which `clearings` reads.",
            ),
        ),
    ]
