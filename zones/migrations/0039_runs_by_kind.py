"""Runs of all customers are listed by their kind."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations
from django.db.models import Index


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("zones", "0038_cases_withheld")]
    operations = [AddIndexConcurrently("run", Index(fields=["kind", "id"], name="run_by_kind"))]
