"""What zones carry is held to change sets like what stands where; see the migration of the same name in
sites."""

from django.db import migrations

from sites.changes.sql_v1 import install, record
from sites.changes.sql_v1.shared import Users
from sites.changes.sql_v1.site_keys import add_site_keys, add_spans

KEYS = [
    ("zone_endpoint", "zone_id", "zone"),
    ("zone_endpoint", "endpoint_id", "endpoint"),
    ("paging_set_zone", "paging_set_id", "paging_set"),
    ("paging_set_zone", "zone_id", "zone"),
    ("run", "block_id", "block"),
    ("run_facts", "run_id", "run"),
    ("run_facts", "zone_id", "zone"),
    ("run_facts", "output_id", "output"),
    ("run_facts", "supply_id", "supply"),
    ("run_facts", "amplifier_id", "amplifier"),
    ("point", "run_id", "run"),
    ("point_facts", "zone_id", "zone"),
    ("point_facts", "feed_supply_id", "supply"),
    ("landing", "block_id", "block"),
    ("landing", "run_id", "run"),
    ("landing", "output_id", "output"),
    ("landing", "supply_id", "supply"),
    ("landing", "amplifier_id", "amplifier"),
    ("clip_facts", "block_id", "block"),
    ("reading", "run_id", "run"),
    ("reading", "switch_id", "switch"),
    ("reading", "supersedes_id", "reading"),
    ("finding", "case_id", "case"),
    ("case", "change_set_id", "change_set"),
]
SPANS = ["zone", "zone_endpoint", "paging_set", "run", "landing"]

# A point's rank is written with its facts, so that a parent which comes later is refused by a check; the two
# are one by these keys, and a new rank is carried along.
POINT_KEYS = """
ALTER TABLE point_facts ADD CONSTRAINT point_facts_point_of_its_run
    FOREIGN KEY (site_id, run_id, point_id, rank)
    REFERENCES point (site_id, run_id, id, rank) ON UPDATE CASCADE;
ALTER TABLE point_facts ADD CONSTRAINT point_facts_parent_of_its_run
    FOREIGN KEY (site_id, run_id, parent_id, parent_rank)
    REFERENCES point (site_id, run_id, id, rank)
    ON UPDATE CASCADE;
ALTER TABLE reading ADD CONSTRAINT reading_point_of_its_run
    FOREIGN KEY (site_id, run_id, point_id) REFERENCES point (site_id, run_id, id);
"""

WATCHED = [
    ("zone", "placed"),
    ("zone_endpoint", "placed"),
    ("paging_set", "placed"),
    ("run", "placed"),
    ("run_facts", "facts"),
    ("point", "plain"),
    ("point_facts", "facts"),
    ("landing", "placed"),
    ("clip_facts", "facts"),
]
USERS = [
    Users(
        name="device_model_marks_runs",
        edited="device_model",
        using=[("point_facts", "model_id")],
        texts=["name", "note"],
    ),
    Users(
        name="cable_type_marks_runs",
        edited="cable_type",
        using=[("point_facts", "cable_type_id")],
        texts=["name"],
    ),
]


class Migration(migrations.Migration):
    dependencies = [("sites", "0003_record"), ("zones", "0001_tables")]
    operations = [
        install(add_site_keys(KEYS)),
        install(POINT_KEYS),
        install(add_spans(SPANS)),
        *[install(record.watch(table, shape, feeds_load=True)) for table, shape in WATCHED],
        # What an instrument said stays said; a correction supersedes it. A set keeps its zones
        *[
            install(record.watch(table, "plain", feeds_load=True, rewritable=False))
            for table in ("reading", "paging_set_zone")
        ],
        *[install(users.create()) for users in USERS],
    ]
