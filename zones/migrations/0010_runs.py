"""A run may have a design temperature of its own."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v2.columns import AddColumns


class Migration(migrations.Migration):
    dependencies = [("zones", "0009_cases")]
    operations = [
        AddColumns("RunFacts", design_temperature_c=fields.temperature(null=True)),
    ]
