"""Sites follow every edit of a device model, raw SQL included."""

from django.db import migrations

from sites.changes.sql_v1 import install
from sites.changes.sql_v2 import catalogue


class Migration(migrations.Migration):
    dependencies = [("sites", "0022_conductor_colours_are_a_line")]
    operations = [install(catalogue.FOLLOWED), catalogue.follow("device_model", "UPDATE", "device model")]
