"""Sites and coverages of all customers are listed by a day on which a contract covers them."""

from django.contrib.postgres.indexes import GistIndex
from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0033_change_sets_by_day")]
    operations = [
        AddIndexConcurrently("coverage", GistIndex(fields=["days"], name="coverage_by_day")),
    ]
