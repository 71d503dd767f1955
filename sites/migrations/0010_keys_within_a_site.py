"""Every reference between rows of the record stays within one site."""

from django.db import migrations

from sites.changes.sql_v1.site_keys import SiteKey, add_site_keys, add_spans, drop_site_keys, drop_spans

KEYS = [
    SiteKey("contact", "closet_id", "closet"),
    SiteKey("secret", "closet_id", "closet"),
    SiteKey("block", "closet_id", "closet"),
    SiteKey("supply", "closet_id", "closet"),
    SiteKey("supply_facts", "supply_id", "supply"),
    SiteKey("amplifier", "closet_id", "closet"),
    SiteKey("amplifier_facts", "amplifier_id", "amplifier"),
    SiteKey("switch", "closet_id", "closet"),
    SiteKey("switch_facts", "switch_id", "switch"),
    SiteKey("switch_port", "switch_id", "switch"),
    SiteKey("switch_port_facts", "port_id", "switch_port"),
    SiteKey("endpoint", "closet_id", "closet"),
    SiteKey("endpoint_facts", "endpoint_id", "endpoint"),
    SiteKey("endpoint_facts", "port_id", "switch_port"),
    SiteKey("output", "endpoint_id", "endpoint"),
]
SPANS = ["closet", "block", "supply", "amplifier", "switch", "switch_port", "endpoint", "output"]


class Migration(migrations.Migration):
    dependencies = [("sites", "0009_outbox")]
    operations = [
        migrations.RunSQL(add_site_keys(KEYS), drop_site_keys(KEYS)),
        migrations.RunSQL(add_spans(SPANS), drop_spans(SPANS)),
    ]
