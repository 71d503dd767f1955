"""Supplies of all customers are listed by the age of their battery."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations
from django.db.models import Index


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0035_endpoints_by_warranty")]
    operations = [
        AddIndexConcurrently(
            "supply", Index(fields=["battery_installed_on", "id"], name="supply_by_battery")
        ),
    ]
