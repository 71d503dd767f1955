"""Sites follow every edit of a factor."""

from django.db import migrations

from sites.changes.sql_v2 import catalogue


class Migration(migrations.Migration):
    dependencies = [("sites", "0009_device_models")]
    operations = [catalogue.follow("factor", "INSERT OR UPDATE OR DELETE", "factor")]
