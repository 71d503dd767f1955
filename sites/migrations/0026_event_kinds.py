"""Who follows the events of some kinds finds them by an index: without it, a page of a rare kind reads
through all events."""

from django.db import migrations
from django.db.models import Index, Q

from sites.changes.sql_v2.columns import BuildIndex


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0025_calendars")]
    operations = [
        BuildIndex(
            "event",
            Index(fields=["kind", "sequence"], condition=Q(sequence__isnull=False), name="event_of_kind"),
        )
    ]
