"""The feed of one customer is read by an index of its own."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations
from django.db.models import Index, Q


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0041_events_published")]
    operations = [
        AddIndexConcurrently(
            "event",
            Index(
                fields=["customer", "sequence"],
                condition=Q(sequence__isnull=False),
                name="event_of_customer",
            ),
        )
    ]
