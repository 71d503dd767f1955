"""No row of the record is written but for a change set; each write leaves a change row and, where it feeds a load,
a mark."""

from django.conf import settings
from django.db import migrations

from sites.changes import record_sql_v1 as sql

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
    {
        "name": "device_model_marks",
        "edited": "device_model",
        "using": [
            ("supply_facts", "model_id"),
            ("amplifier_facts", "model_id"),
            ("switch_facts", "model_id"),
            ("endpoint_facts", "model_id"),
        ],
        "texts": ["name", "note"],
    },
    {
        "name": "cable_type_marks",
        "edited": "cable_type",
        "using": [("endpoint_facts", "cable_type_id")],
        "texts": ["name"],
    },
    {
        "name": "contract_marks",
        "edited": "contract",
        "using": [("coverage", "contract_id")],
        "texts": ["reference", "note"],
    },
]


class Migration(migrations.Migration):
    dependencies = [("sites", "0011_acceptance")]
    operations = [
        migrations.RunSQL(sql.record_functions(), sql.drop_record_functions()),
        *[
            migrations.RunSQL(sql.watch(table, shape, feeds_load=feeds_load), sql.unwatch(table))
            for table, shape, feeds_load in WATCHED
        ],
        # People leave, and their rows with them
        migrations.RunSQL(
            sql.watch("contact", "plain", feeds_load=False, removable=True), sql.unwatch("contact")
        ),
        *[
            migrations.RunSQL(
                sql.watch_shared(table, version=version),
                sql.unwatch(table, *(["version"] if version else [])),
            )
            for table, version in SHARED
        ],
        *[
            migrations.RunSQL(
                sql.mark_users(**users), sql.drop_mark_users(name=users["name"], edited=users["edited"])
            )
            for users in USERS
        ],
        migrations.RunSQL(sql.FACTOR_MARKS, sql.DROP_FACTOR_MARKS),
        migrations.RunSQL(sql.CONTRACT_MARKS, sql.DROP_CONTRACT_MARKS),
        migrations.RunSQL(sql.take_rights_back(settings.SERVICE_ROLE), migrations.RunSQL.noop),
    ]
