"""Lists over all sites come along an index, in the order asked: what a page costs does not grow with the
fleet. What is looked for by a serial number or an address is found by it; rows that are gone, by their
table; the feed of one customer, by an index of its own."""

from django.contrib.postgres.indexes import GistIndex
from django.db import migrations
from django.db.models import F, Index, Q
from django.db.models.functions import Lower

from sites.changes.sql_v2.columns import BuildIndex

NAMED = ("amplifier", "block", "closet", "contact", "endpoint", "site", "supply", "switch")
CHANGE_SETS = [
    Index(fields=["state", "id"], condition=~Q(state="accepted"), name="change_set_by_state"),
    Index(Lower("job_reference"), F("id"), condition=~Q(job_reference=""), name="change_set_by_job"),
    Index(fields=["happened_on", "id"], name="change_set_by_day"),
    Index(fields=["recorded_at", "id"], name="change_set_by_recording"),
    Index(fields=["kind", "happened_on", "id"], condition=~Q(kind="work"), name="change_set_by_kind"),
    Index(fields=["purpose", "id"], condition=~Q(purpose="record"), name="change_set_by_purpose"),
]
ENDPOINTS = [
    Index(fields=["serial", "id"], condition=~Q(serial=""), name="endpoint_by_serial"),
    Index(Lower("mac"), F("id"), condition=~Q(mac=""), name="endpoint_by_mac"),
    Index(fields=["warranty_end", "id"], name="endpoint_by_warranty"),
]
OTHERS = {
    "change": Index(fields=["table_name"], condition=Q(operation="delete"), name="change_deleted"),
    "contract": Index(Lower("reference"), F("id"), name="contract_by_reference"),
    "coverage": GistIndex(fields=["days"], name="coverage_by_day"),
    "endpointfacts": Index(
        fields=["address"], condition=Q(address__isnull=False), name="endpoint_facts_by_address"
    ),
    "event": Index(
        fields=["customer", "sequence"], condition=Q(sequence__isnull=False), name="event_of_customer"
    ),
    "secretreveal": Index(fields=["revealed_at", "id"], name="secret_reveal_by_time"),
    "site": Index(Lower("city"), F("id"), name="site_by_city"),
    "supply": Index(fields=["battery_installed_on", "id"], name="supply_by_battery"),
    "switch": Index(fields=["serial", "id"], condition=~Q(serial=""), name="switch_by_serial"),
}


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0019_validated")]
    operations = [
        *(BuildIndex(model, Index(Lower("name"), F("id"), name=f"{model}_by_name")) for model in NAMED),
        *(BuildIndex("changeset", index) for index in CHANGE_SETS),
        *(BuildIndex("endpoint", index) for index in ENDPOINTS),
        *(BuildIndex(model, index) for model, index in OTHERS.items()),
    ]
