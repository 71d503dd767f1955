"""Devices of all customers are listed by the end of their warranty."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations
from django.db.models import Index


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0034_coverages_by_day")]
    operations = [
        AddIndexConcurrently("endpoint", Index(fields=["warranty_end", "id"], name="endpoint_by_warranty")),
    ]
