"""The service of networked devices keeps its words: the check of the migration before is made valid."""

from django.db import migrations

from sites.changes.sql_v2.columns import validate


class Migration(migrations.Migration):
    dependencies = [("sites", "0022_endpoint_service")]
    operations = [validate("endpoint_facts", "service_check")]
