"""Zones of all customers are listed by whether they carry life safety."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations
from django.db.models import Index


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("zones", "0031_orders_of_cases")]
    operations = [
        AddIndexConcurrently("zone", Index(fields=["life_safety", "id"], name="zone_by_life_safety")),
    ]
