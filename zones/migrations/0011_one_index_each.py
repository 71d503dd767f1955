"""Each had the columns of another index of its table, and cost every writer as much again."""

from django.contrib.postgres.operations import RemoveIndexConcurrently
from django.db import migrations


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("zones", "0010_what_was_told"), ("sites", "0015_one_index_each")]
    operations = [
        RemoveIndexConcurrently(model_name="figures", name="figures_by_site"),
        RemoveIndexConcurrently(model_name="run", name="run_by_block"),
        RemoveIndexConcurrently(model_name="case", name="case_by_site"),
        RemoveIndexConcurrently(model_name="finding", name="finding_by_case"),
    ]
