"""A finding keeps by what it cleared, with the figure after."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("zones", "0029_case_gravity")]
    operations = [migrations.AddField("finding", "clearing", models.JSONField(editable=False, null=True))]
