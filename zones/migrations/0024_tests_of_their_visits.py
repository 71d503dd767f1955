"""A test belongs to a visit of its site and its day, and is taken with an instrument that is there."""

from django.db import migrations

from sites.changes.sql_v1 import install

# The rows that are there are not read through here
KEYS = """
ALTER TABLE reading ADD CONSTRAINT reading_visit_of_its_day
    FOREIGN KEY (site_id, visit_id, taken_on) REFERENCES visit (site_id, id, visited_on) NOT VALID;
ALTER TABLE reading ADD CONSTRAINT reading_instrument_record_id_fk
    FOREIGN KEY (instrument_record_id) REFERENCES instrument (id) DEFERRABLE INITIALLY DEFERRED NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("zones", "0023_tests_of_their_zones")]
    operations = [install(KEYS)]
