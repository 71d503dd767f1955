"""The tests of one instrument, by day, over all sites: when its calibration turns out to have lapsed, what
was measured with it has to be found."""

from django.db import migrations
from django.db.models import Index, Q

from sites.changes.sql_v2.columns import BuildIndex

BY_INSTRUMENT = Index(
    fields=["instrument_record", "taken_on", "id"],
    condition=Q(instrument_record__isnull=False),
    name="reading_by_instrument",
)


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("zones", "0030_recheck_time")]
    operations = [BuildIndex("test", BY_INSTRUMENT)]
