"""A zone that is put into a paging set that is there already stands as long as the set, and a correction puts
it there."""

from django.db import migrations

from sites.changes.sql_v1 import install
from sites.changes.sql_v1.rules import Check, Later, hold_later

_SET = "JOIN paging_set s ON s.id = n.paging_set_id"
JOINED = Later(
    "paging_set_joined",
    "paging_set_zone",
    "INSERT",
    "",
    [
        Check(
            "paging_set_zone_stands",
            f"{_SET} JOIN zone z ON z.id = n.zone_id WHERE (s.begin_step < z.begin_step "
            "OR z.end_step IS NOT NULL AND (s.end_step IS NULL OR s.end_step > z.end_step))",
        ),
        Check(
            "paging_set_zone_is_only_added_to",
            f"{_SET} JOIN change_set c ON c.id = n.change_set_id "
            "WHERE c.kind <> 'correction' AND c.step <> s.begin_step",
        ),
    ],
)


class Migration(migrations.Migration):
    dependencies = [("zones", "0014_facts_of_their_zones")]
    operations = [install(hold_later(JOINED))]
