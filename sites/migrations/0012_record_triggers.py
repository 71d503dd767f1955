"""No row of the record is written but for a change set; each write leaves a change row and, where it feeds a
load, a mark."""

from django.conf import settings
from django.db import migrations

from sites.changes.sql_v1 import record, shared

WATCHED = [
    ("site", "site", True),
    ("closet", "placed", False),
    ("block", "placed", True),
    ("supply", "placed", True),
    ("supply_facts", "facts", True),
    ("amplifier", "placed", True),
    ("amplifier_facts", "facts", True),
    ("switch", "placed", True),
    ("switch_facts", "facts", True),
    ("switch_port", "placed", True),
    ("switch_port_facts", "facts", True),
    ("endpoint", "placed", True),
    ("endpoint_facts", "facts", True),
    ("output", "placed", True),
]
SHARED = [
    ("customer", "shared"),
    ("contract", "shared"),
    ("coverage", None),
    ("device_model", "catalogue"),
    ("cable_type", "catalogue"),
    ("factor", "catalogue"),
]
USERS = [
    shared.Users(
        name="device_model_marks",
        edited="device_model",
        using=[
            ("supply_facts", "model_id"),
            ("amplifier_facts", "model_id"),
            ("switch_facts", "model_id"),
            ("endpoint_facts", "model_id"),
        ],
        texts=["name", "note"],
    ),
    shared.Users(
        name="cable_type_marks",
        edited="cable_type",
        using=[("endpoint_facts", "cable_type_id")],
        texts=["name"],
    ),
    shared.Users(
        name="contract_marks",
        edited="contract",
        using=[("coverage", "contract_id")],
        texts=["reference", "note"],
    ),
]


class Migration(migrations.Migration):
    dependencies = [("sites", "0011_acceptance")]
    operations = [
        migrations.RunSQL(record.record_functions(), record.drop_record_functions()),
        migrations.RunSQL(shared.SHARED_FUNCTIONS, shared.DROP_SHARED_FUNCTIONS),
        *[
            migrations.RunSQL(record.watch(table, shape, feeds_load=feeds_load), record.unwatch(table))
            for table, shape, feeds_load in WATCHED
        ],
        # People leave, and their rows with them
        migrations.RunSQL(
            record.watch("contact", "plain", feeds_load=False, removable=True), record.unwatch("contact")
        ),
        *[
            migrations.RunSQL(
                shared.watch_shared(table, version=version),
                record.unwatch(table, *(["version"] if version else [])),
            )
            for table, version in SHARED
        ],
        *[migrations.RunSQL(users.create(), users.drop()) for users in USERS],
        migrations.RunSQL(shared.FACTOR_MARKS, shared.DROP_FACTOR_MARKS),
        migrations.RunSQL(shared.CONTRACT_MARKS, shared.DROP_CONTRACT_MARKS),
        migrations.RunSQL(shared.take_rights_back(settings.SERVICE_ROLE), migrations.RunSQL.noop),
    ]
