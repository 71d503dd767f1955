"""Models of switches say what the columns of their table of power are called."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v2.columns import AddColumns


class Migration(migrations.Migration):
    dependencies = [("sites", "0026_event_kinds")]
    operations = [
        AddColumns(
            "DeviceModel",
            group_heading=fields.LineField(blank=True, default="", db_default="", max_length=60),
            port_heading=fields.LineField(blank=True, default="", db_default="", max_length=60),
            watts_heading=fields.LineField(blank=True, default="", db_default="", max_length=60),
        )
    ]
