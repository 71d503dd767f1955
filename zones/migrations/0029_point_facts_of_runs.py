"""Tell PostgreSQL that the site of a point's facts follows from their run. Where a statement names both, it
took the two for independent and expected one row in place of hundreds, and so read what it joins anew for
each of them. ANALYZE counts what the statistics hold: left to itself, a table that hardly changes would be
without them for long. Neither stops a reader or a writer."""

from django.db.migrations import Migration as Base
from django.db.migrations import RunSQL

NAME = "point_facts_of_runs"


class Migration(Base):
    dependencies = [("zones", "0028_due_test")]
    operations = [
        RunSQL(
            f"CREATE STATISTICS {NAME} (dependencies) ON run_id, site_id FROM point_facts",
            f"DROP STATISTICS {NAME}",
        ),
        RunSQL("ANALYZE point_facts", RunSQL.noop),
    ]
