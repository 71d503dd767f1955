"""Lists of cases over all sites come along an index: the gravest first, by clearing, by change."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations
from django.db.models import Index, Q


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("zones", "0030_finding_clearing")]
    operations = [
        AddIndexConcurrently(
            "case",
            Index(
                fields=["gravity", "id"], condition=Q(cleared_at__isnull=True), name="case_open_by_gravity"
            ),
        ),
        AddIndexConcurrently(
            "case",
            Index(
                fields=["cleared_at", "id"], condition=Q(cleared_at__isnull=False), name="case_by_clearing"
            ),
        ),
        AddIndexConcurrently("case", Index(fields=["changed_at", "id"], name="case_by_change")),
    ]
