"""Findings of all customers are listed by their opening: all, in some state, of some limit."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations
from django.db.models import Index, Q


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("zones", "0033_readings_by_kind")]
    operations = [
        AddIndexConcurrently("finding", Index(fields=["opened_at", "id"], name="finding_by_opening")),
        AddIndexConcurrently(
            "finding", Index(fields=["state", "opened_at", "id"], name="finding_of_state_by_opening")
        ),
        AddIndexConcurrently(
            "finding",
            Index(
                fields=["code", "opened_at", "id"],
                condition=~Q(state="cleared"),
                name="finding_of_code_by_opening",
            ),
        ),
    ]
