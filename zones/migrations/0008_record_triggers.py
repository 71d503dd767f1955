"""What zones carry is held to change sets like what stands where; see the migration of the same name in
sites."""

from django.db import migrations

from sites.changes.sql_v1 import record, shared

WATCHED = [
    ("zone", "placed"),
    ("zone_endpoint", "placed"),
    ("paging_set", "placed"),
    ("paging_set_zone", "plain"),
    ("run", "placed"),
    ("run_facts", "facts"),
    ("point", "plain"),
    ("point_facts", "facts"),
    ("landing", "placed"),
    ("clip_facts", "facts"),
]
USERS = [
    shared.Users(
        name="device_model_marks_runs",
        edited="device_model",
        using=[("point_facts", "model_id")],
        texts=["name", "note"],
    ),
    shared.Users(
        name="cable_type_marks_runs",
        edited="cable_type",
        using=[("point_facts", "cable_type_id")],
        texts=["name"],
    ),
]


class Migration(migrations.Migration):
    dependencies = [("sites", "0012_record_triggers"), ("zones", "0007_keys_within_a_site")]
    operations = [
        *[
            migrations.RunSQL(record.watch(table, shape, feeds_load=True), record.unwatch(table))
            for table, shape in WATCHED
        ],
        # What an instrument said stays said; a correction supersedes it
        migrations.RunSQL(
            record.watch("reading", "plain", feeds_load=True, rewritable=False), record.unwatch("reading")
        ),
        *[migrations.RunSQL(users.create(), users.drop()) for users in USERS],
    ]
