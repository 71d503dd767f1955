"""Lists over all sites come along an index, in the order asked: what a page costs does not grow with the
fleet. What is looked for by a serial number or an address is found by it."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations
from django.db.models import F, Index, Q
from django.db.models.functions import Lower

NAMED = ("amplifier", "block", "closet", "contact", "endpoint", "site", "supply", "switch")


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0029_token_scopes_limited")]
    operations = [
        *(
            AddIndexConcurrently(model, Index(Lower("name"), F("id"), name=f"{model}_by_name"))
            for model in NAMED
        ),
        AddIndexConcurrently(
            "secretreveal", Index(fields=["revealed_at", "id"], name="secret_reveal_by_time")
        ),
        AddIndexConcurrently("site", Index(Lower("city"), F("id"), name="site_by_city")),
        AddIndexConcurrently("contract", Index(Lower("reference"), F("id"), name="contract_by_reference")),
        AddIndexConcurrently(
            "changeset",
            Index(fields=["state", "id"], condition=~Q(state="accepted"), name="change_set_by_state"),
        ),
        AddIndexConcurrently(
            "changeset",
            Index(Lower("job_reference"), F("id"), condition=~Q(job_reference=""), name="change_set_by_job"),
        ),
        AddIndexConcurrently(
            "endpoint", Index(fields=["serial", "id"], condition=~Q(serial=""), name="endpoint_by_serial")
        ),
        AddIndexConcurrently(
            "endpoint", Index(Lower("mac"), F("id"), condition=~Q(mac=""), name="endpoint_by_mac")
        ),
        AddIndexConcurrently(
            "endpointfacts",
            Index(fields=["address"], condition=Q(address__isnull=False), name="endpoint_facts_by_address"),
        ),
        AddIndexConcurrently(
            "switch", Index(fields=["serial", "id"], condition=~Q(serial=""), name="switch_by_serial")
        ),
    ]
