"""Customers, sites and closets are found whatever the accents, capital letters and typing errors."""

from django.db import migrations

from sites.changes.sql_v1 import install

INDEXES = {
    "customer_searched": "customer USING gin (zonebook_folded(name || ' ' || code) gin_trgm_ops)",
    "site_searched": (
        "site USING gin (zonebook_folded("
        "name || ' ' || code || ' ' || address || ' ' || postal_code || ' ' || city) gin_trgm_ops)"
    ),
    "closet_searched": (
        "closet USING gin (zonebook_folded("
        "name || ' ' || building || ' ' || floor || ' ' || room) gin_trgm_ops)"
    ),
}


class Migration(migrations.Migration):
    dependencies = [("sites", "0003_record")]
    operations = [install(f"CREATE INDEX {name} ON {on}") for name, on in INDEXES.items()]
