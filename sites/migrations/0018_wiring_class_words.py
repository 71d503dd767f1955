"""Listings, output classes and jurisdictions keep their words: the checks of the three migrations
before are made valid."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("sites", "0017_jurisdiction")]
    operations = [
        migrations.RunSQL(
            f"ALTER TABLE {table} VALIDATE CONSTRAINT {table}_{column}_check", migrations.RunSQL.noop
        )
        for table, column in (
            ("cable_type", "listing"),
            ("device_model", "output_class"),
            ("site", "jurisdiction"),
        )
    ]
