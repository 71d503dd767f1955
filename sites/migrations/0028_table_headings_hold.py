"""Headings are lines: the checks of the migration before are made valid."""

from django.db import migrations

from sites.changes.sql_v2.columns import validate


class Migration(migrations.Migration):
    dependencies = [("sites", "0027_table_headings")]
    operations = [
        validate("device_model", "group_heading_check", "port_heading_check", "watts_heading_check"),
    ]
