"""Sites follow every edit of a cable type."""

from django.db import migrations

from sites.changes.sql_v2 import catalogue


class Migration(migrations.Migration):
    dependencies = [("sites", "0023_catalogue_followed")]
    operations = [catalogue.follow("cable_type", "UPDATE", "cable type")]
