"""Each had the columns of another index of its table, and cost every writer as much again."""

from django.contrib.postgres.operations import RemoveIndexConcurrently
from django.db import migrations


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0014_cheaper_change_rows")]
    operations = [
        RemoveIndexConcurrently(model_name="changeset", name="change_set_by_site"),
        RemoveIndexConcurrently(model_name="change", name="change_by_change_set"),
    ]
