"""The database holds the record: references stay within a site, an accepted change set has a step and never
changes, and no row is written but for a change set; each write leaves a change row and, where it feeds a
load, a mark."""

from django.conf import settings
from django.db import migrations

from sites.changes.sql_v1 import acceptance, install, record, shared
from sites.changes.sql_v1.shared import Users
from sites.changes.sql_v1.site_keys import add_site_keys, add_spans

KEYS = [
    ("contact", "closet_id", "closet"),
    ("secret", "closet_id", "closet"),
    ("block", "closet_id", "closet"),
    ("supply", "closet_id", "closet"),
    ("supply_facts", "supply_id", "supply"),
    ("amplifier", "closet_id", "closet"),
    ("amplifier_facts", "amplifier_id", "amplifier"),
    ("switch", "closet_id", "closet"),
    ("switch_facts", "switch_id", "switch"),
    ("switch_port", "switch_id", "switch"),
    ("switch_port_facts", "port_id", "switch_port"),
    ("endpoint", "closet_id", "closet"),
    ("endpoint_facts", "endpoint_id", "endpoint"),
    ("endpoint_facts", "port_id", "switch_port"),
    ("output", "endpoint_id", "endpoint"),
]
SPANS = ["closet", "block", "supply", "amplifier", "switch", "switch_port", "endpoint", "output"]
# Table, its shape, and whether its rows feed a load
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
    Users(
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
    Users(
        name="cable_type_marks",
        edited="cable_type",
        using=[("endpoint_facts", "cable_type_id")],
        texts=["name"],
    ),
    Users(
        name="contract_marks",
        edited="contract",
        using=[("coverage", "contract_id")],
        texts=["reference", "note"],
    ),
]


class Migration(migrations.Migration):
    dependencies = [("sites", "0002_tables")]
    operations = [
        install(add_site_keys(KEYS)),
        install(add_spans(SPANS)),
        install(acceptance.ACCEPTANCE),
        install(acceptance.APPEND_ONLY),
        install(record.record_functions()),
        install(shared.SHARED_FUNCTIONS),
        *[install(record.watch(table, shape, feeds_load=feeds)) for table, shape, feeds in WATCHED],
        # People leave, and their rows with them
        install(record.watch("contact", "plain", feeds_load=False, removable=True)),
        *[install(shared.watch_shared(table, version=version)) for table, version in SHARED],
        *[install(users.create()) for users in USERS],
        install(shared.FACTOR_MARKS),
        install(shared.CONTRACT_MARKS),
        install(shared.take_rights_back(settings.SERVICE_ROLE)),
    ]
