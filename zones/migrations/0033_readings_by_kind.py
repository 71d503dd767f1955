"""Readings of all customers are listed by kind and day."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations
from django.db.models import Index


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("zones", "0032_zones_by_life_safety")]
    operations = [
        AddIndexConcurrently("reading", Index(fields=["kind", "taken_on", "id"], name="reading_by_kind")),
    ]
