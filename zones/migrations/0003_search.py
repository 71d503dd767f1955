"""Zones are found by name and page code, and their groups by name; see the migration of the same name in
sites."""

from django.db import migrations

from sites.changes.sql_v1 import install


class Migration(migrations.Migration):
    dependencies = [("sites", "0004_search"), ("zones", "0002_record")]
    operations = [
        install(
            "CREATE INDEX zone_searched ON zone USING gin (zonebook_folded("
            "name || ' ' || page_code || ' ' || zonebook_joined(groups)) gin_trgm_ops)"
        ),
    ]
