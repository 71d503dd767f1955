"""Entries of search follow each write of the record: one trigger, on the change record."""

from django.db import migrations

from sites.changes.sql_v1 import install
from sites.changes.sql_v2 import search


class Migration(migrations.Migration):
    dependencies = [("zones", "0035_search_entries")]
    operations = [install(search.FOLLOWING)]
