"""A test of a zone is of one of its site."""

from django.db import migrations

from sites.changes.sql_v1 import install
from sites.changes.sql_v1.site_keys import add_site_keys

# The rows that are there are not read through here
KEY = add_site_keys([("reading", "zone_id", "zone")]).replace(";", " NOT VALID;")


class Migration(migrations.Migration):
    dependencies = [("zones", "0022_tests_of_more_kinds")]
    operations = [install(KEY)]
