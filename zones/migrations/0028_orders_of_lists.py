"""Lists over all sites come along an index, in the order asked; see the migration of the same name in
sites."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations
from django.db.models import F, Index, Q
from django.db.models.functions import Lower

OPEN = ~Q(state="cleared")


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0030_orders_of_lists"), ("zones", "0027_finding_gravity")]
    operations = [
        AddIndexConcurrently("pagingset", Index(Lower("name"), F("id"), name="paging_set_by_name")),
        AddIndexConcurrently("run", Index(Lower("name"), F("id"), name="run_by_name")),
        AddIndexConcurrently("zone", Index(Lower("name"), F("id"), name="zone_by_name")),
        AddIndexConcurrently("reading", Index(fields=["taken_on", "id"], name="reading_by_day")),
        AddIndexConcurrently(
            "pointfacts",
            Index(fields=["model", "point"], condition=Q(model__isnull=False), name="point_facts_by_model"),
        ),
        AddIndexConcurrently("case", Index(fields=["opened_at", "id"], name="case_by_opening")),
        AddIndexConcurrently(
            "case",
            Index(
                fields=["opened_at", "id"],
                condition=Q(cleared_at__isnull=True),
                name="case_open_by_opening",
            ),
        ),
        AddIndexConcurrently(
            "case",
            Index(
                fields=["opened_at", "id"],
                condition=Q(cleared_at__isnull=False),
                name="case_cleared_by_opening",
            ),
        ),
        AddIndexConcurrently(
            "case",
            Index(
                fields=["opened_at", "id"],
                condition=Q(cleared_at__isnull=True, ticket_reference=""),
                name="case_without_ticket",
            ),
        ),
        AddIndexConcurrently(
            "case",
            Index(
                fields=["ticket_reference", "id"], condition=~Q(ticket_reference=""), name="case_by_ticket"
            ),
        ),
        AddIndexConcurrently(
            "finding", Index(fields=["gravity", "id"], condition=OPEN, name="finding_open_by_gravity")
        ),
        AddIndexConcurrently("finding", Index(fields=["gravity", "id"], name="finding_by_gravity")),
        AddIndexConcurrently("finding", Index(fields=["state", "gravity", "id"], name="finding_by_state")),
        AddIndexConcurrently(
            "finding", Index(fields=["code", "gravity", "id"], condition=OPEN, name="finding_open_by_code")
        ),
        AddIndexConcurrently(
            "finding", Index(fields=["opened_at", "id"], condition=OPEN, name="finding_open_by_opening")
        ),
    ]
