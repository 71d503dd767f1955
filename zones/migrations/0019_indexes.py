"""Lists over all sites come along an index, in the order asked; see the migration of the same name in
sites."""

from django.db import migrations
from django.db.models import F, Index, Q
from django.db.models.functions import Lower

from sites.changes.sql_v2.columns import BuildIndex

OPEN = ~Q(state="cleared")
UNCLEARED = Q(cleared_at__isnull=True)
CLEARED = Q(cleared_at__isnull=False)
CASES = [
    Index(fields=["opened_at", "id"], name="case_by_opening"),
    Index(fields=["opened_at", "id"], condition=UNCLEARED, name="case_open_by_opening"),
    Index(fields=["opened_at", "id"], condition=CLEARED, name="case_cleared_by_opening"),
    Index(
        fields=["opened_at", "id"],
        condition=Q(cleared_at__isnull=True, ticket_reference=""),
        name="case_without_ticket",
    ),
    Index(fields=["ticket_reference", "id"], condition=~Q(ticket_reference=""), name="case_by_ticket"),
    Index(fields=["gravity", "id"], condition=UNCLEARED, name="case_open_by_gravity"),
    Index(fields=["cleared_at", "id"], condition=CLEARED, name="case_by_clearing"),
    Index(fields=["changed_at", "id"], name="case_by_change"),
]
FINDINGS = [
    Index(fields=["gravity", "id"], condition=OPEN, name="finding_open_by_gravity"),
    Index(fields=["gravity", "id"], name="finding_by_gravity"),
    Index(fields=["state", "gravity", "id"], name="finding_by_state"),
    Index(fields=["code", "gravity", "id"], condition=OPEN, name="finding_open_by_code"),
    Index(fields=["opened_at", "id"], condition=OPEN, name="finding_open_by_opening"),
    Index(fields=["opened_at", "id"], name="finding_by_opening"),
    Index(fields=["state", "opened_at", "id"], name="finding_of_state_by_opening"),
    Index(fields=["code", "opened_at", "id"], condition=OPEN, name="finding_of_code_by_opening"),
]
OF_MODEL = Index(fields=["model", "point"], condition=Q(model__isnull=False), name="point_facts_by_model")


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("zones", "0018_validated")]
    operations = [
        BuildIndex("pagingset", Index(Lower("name"), F("id"), name="paging_set_by_name")),
        BuildIndex("run", Index(Lower("name"), F("id"), name="run_by_name")),
        BuildIndex("run", Index(fields=["kind", "id"], name="run_by_kind")),
        BuildIndex("zone", Index(Lower("name"), F("id"), name="zone_by_name")),
        BuildIndex("zone", Index(fields=["life_safety", "id"], name="zone_by_life_safety")),
        BuildIndex("reading", Index(fields=["taken_on", "id"], name="reading_by_day")),
        BuildIndex("reading", Index(fields=["kind", "taken_on", "id"], name="reading_by_kind")),
        BuildIndex("pointfacts", OF_MODEL),
        *(BuildIndex("case", index) for index in CASES),
        *(BuildIndex("finding", index) for index in FINDINGS),
    ]
