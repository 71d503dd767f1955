"""Tests keep the rules and keys of the migrations before: those are made valid."""

from django.db import migrations

NAMES = (
    "kind_check", "value_check", "taken_at_check", "taken_as_check", "calibration_due_on_check",
    "subject_of_its_kind", "outcome_of_its_kind", "state_of_its_kind", "electronics_disconnected",
    "due_after_calibration", "zone_of_its_site", "visit_of_its_day", "instrument_record_id_fk",
)  # fmt: skip


class Migration(migrations.Migration):
    dependencies = [("zones", "0024_tests_of_their_visits")]
    operations = [
        migrations.RunSQL(f"ALTER TABLE reading VALIDATE CONSTRAINT reading_{name}", migrations.RunSQL.noop)
        for name in NAMES
    ]
