"""The facts of a zone are of a zone of their site, and none is later than its end."""

from django.db import migrations

from sites.changes.sql_v1 import install
from sites.changes.sql_v1.rules import Check, Later, hold_later
from sites.changes.sql_v1.site_keys import add_site_keys

# The rows that are there are not read through here
KEY = add_site_keys([("zone_facts", "zone_id", "zone")]).replace(";", " NOT VALID;")
LATER = Later(
    "zone_with_later_facts",
    "zone",
    "UPDATE",
    "NEW.end_step IS NOT NULL AND OLD.end_step IS DISTINCT FROM NEW.end_step",
    [Check("zone_in_use", "JOIN zone_facts f ON f.zone_id = n.id WHERE f.step >= n.end_step")],
)


class Migration(migrations.Migration):
    dependencies = [("zones", "0013_zone_facts")]
    operations = [
        install(KEY),
        install(hold_later(LATER)),
    ]
