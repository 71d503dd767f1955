"""A networked device is planned, in service or out of service, from a day to a day."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v2.columns import AddColumns


class Migration(migrations.Migration):
    dependencies = [("sites", "0021_instruments")]
    operations = [
        AddColumns(
            "EndpointFacts",
            service=fields.WordField(
                ["planned", "in_service", "out_of_service"], blank=True, max_length=16, null=True
            ),
        )
    ]
