"""Rows that are gone are found by their id: to say why an address leads to nothing."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations, models


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0008_withdrawals")]
    operations = [
        AddIndexConcurrently(
            "change",
            models.Index(
                fields=["table_name"], condition=models.Q(operation="delete"), name="change_deleted"
            ),
        ),
    ]
