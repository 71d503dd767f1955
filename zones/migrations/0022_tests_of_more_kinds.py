"""A test may be of any kind: one that passes or fails has no value, one on a dead wire no state.

The release before writes the three kinds that it knows, with a value and a state, as the rules here want.
On the way back tests of the other kinds go, since that release can store none of them.
"""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install

KINDS = (
    "continuity", "shorts", "polarity", "tone_trace", "end_voltage", "run_current", "loop_resistance",
    "line_impedance", "insulation", "listening", "level", "poe_power",
)  # fmt: skip
FORMER = "('run_current', 'end_voltage', 'poe_power')"

COLUMNS = """
ALTER TABLE reading
    ALTER COLUMN value DROP NOT NULL,
    ALTER COLUMN state DROP NOT NULL,
    ADD COLUMN zone_id bigint,
    ADD COLUMN passed boolean,
    ADD COLUMN taken_at varchar(5) DEFAULT '' NOT NULL,
    ADD COLUMN taken_as varchar(8),
    ADD COLUMN instrument_record_id bigint,
    ADD COLUMN calibration_due_on date,
    ADD COLUMN electronics_disconnected boolean,
    ADD COLUMN visit_id bigint;
"""
COLUMNS_GO = f"""
ALTER TABLE reading DISABLE TRIGGER USER;
DELETE FROM reading WHERE kind NOT IN {FORMER};
ALTER TABLE reading ENABLE TRIGGER USER;
ALTER TABLE reading
    ALTER COLUMN value SET NOT NULL,
    ALTER COLUMN state SET NOT NULL,
    DROP COLUMN zone_id,
    DROP COLUMN passed,
    DROP COLUMN taken_at,
    DROP COLUMN taken_as,
    DROP COLUMN instrument_record_id,
    DROP COLUMN calibration_due_on,
    DROP COLUMN electronics_disconnected,
    DROP COLUMN visit_id;
"""  # noqa: S608 - our own words

# What they replace
RULES_GO = """
ALTER TABLE reading
    DROP CONSTRAINT reading_kind_check,
    DROP CONSTRAINT reading_value_check,
    DROP CONSTRAINT reading_subject_of_its_kind;
"""
RULES_COME_BACK = f"""
ALTER TABLE reading
    ADD CONSTRAINT reading_kind_check CHECK (kind IN {FORMER}),
    ADD CONSTRAINT reading_value_check CHECK (value >= 0 AND value <= 10000),
    ADD CONSTRAINT reading_subject_of_its_kind CHECK (
        kind = 'run_current' AND run_id IS NOT NULL AND switch_id IS NULL AND point_id IS NULL
        OR kind = 'end_voltage' AND run_id IS NOT NULL AND switch_id IS NULL AND point_id IS NOT NULL
        OR kind = 'poe_power' AND run_id IS NULL AND switch_id IS NOT NULL AND point_id IS NULL);
"""

# The rows that are there keep them already; none of them is read through here
RULES = f"""
ALTER TABLE reading ADD CONSTRAINT reading_kind_check CHECK (kind IN {KINDS}) NOT VALID;
ALTER TABLE reading ADD CONSTRAINT reading_value_check CHECK (value >= -120 AND value <= 1e12) NOT VALID;
ALTER TABLE reading ADD CONSTRAINT reading_taken_at_check
    CHECK (taken_at = '' OR taken_at ~ '^(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$') NOT VALID;
ALTER TABLE reading ADD CONSTRAINT reading_taken_as_check
    CHECK (taken_as IN ('as_found', 'as_left')) NOT VALID;
ALTER TABLE reading ADD CONSTRAINT reading_calibration_due_on_check
    CHECK (calibration_due_on BETWEEN '1970-01-01' AND '2200-12-31') NOT VALID;
ALTER TABLE reading ADD CONSTRAINT reading_subject_of_its_kind CHECK (CASE
    WHEN kind IN ('end_voltage', 'level', 'loop_resistance')
        THEN run_id IS NOT NULL AND point_id IS NOT NULL AND switch_id IS NULL AND zone_id IS NULL
    WHEN kind = 'poe_power'
        THEN run_id IS NULL AND point_id IS NULL AND switch_id IS NOT NULL AND zone_id IS NULL
    WHEN kind = 'listening'
        THEN num_nonnulls(run_id, zone_id) = 1 AND point_id IS NULL AND switch_id IS NULL
    ELSE run_id IS NOT NULL AND point_id IS NULL AND switch_id IS NULL AND zone_id IS NULL
END) NOT VALID;
ALTER TABLE reading ADD CONSTRAINT reading_outcome_of_its_kind CHECK (CASE
    WHEN kind IN ('continuity', 'shorts', 'polarity', 'tone_trace', 'listening')
        THEN value IS NULL AND passed IS NOT NULL AND instrument_error IS NULL
    ELSE passed IS NULL AND value IS NOT NULL AND CASE kind
        WHEN 'line_impedance' THEN value BETWEEN 0 AND 100000
        WHEN 'insulation' THEN value >= 0
        WHEN 'level' THEN value <= 40
        ELSE value BETWEEN 0 AND 10000
    END
END) NOT VALID;
ALTER TABLE reading ADD CONSTRAINT reading_state_of_its_kind CHECK (CASE
    WHEN kind IN ('end_voltage', 'run_current', 'poe_power') THEN state IS NOT NULL
    WHEN kind IN ('listening', 'level') THEN state IS NOT NULL AND state = 'paging'
    ELSE state IS NULL AND signal = 'speech'
END) NOT VALID;
ALTER TABLE reading ADD CONSTRAINT reading_electronics_disconnected CHECK (
    (kind = 'insulation') = (electronics_disconnected IS NOT NULL) AND electronics_disconnected IS NOT FALSE
) NOT VALID;
ALTER TABLE reading ADD CONSTRAINT reading_due_after_calibration
    CHECK (calibration_due_on >= calibrated_on) NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("zones", "0021_visits")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [
                migrations.RunSQL(migrations.RunSQL.noop, RULES_COME_BACK),
                migrations.RunSQL(COLUMNS, COLUMNS_GO),
                migrations.RunSQL(RULES_GO, migrations.RunSQL.noop),
                install(RULES),
            ],
            [
                migrations.RemoveConstraint("Test", "reading_subject_of_its_kind"),
                migrations.AlterField("Test", "kind", fields.WordField(list(KINDS), max_length=16)),
                migrations.AlterField(
                    "Test",
                    "state",
                    fields.WordField(["idle", "paging"], blank=True, max_length=8, null=True),
                ),
                migrations.AlterField(
                    "Test",
                    "value",
                    fields.QuantityField(blank=True, maximum=1e12, minimum=-120, null=True),
                ),
                migrations.AddField(
                    "Test",
                    "zone",
                    fields.SiteKey("zones.zone", db_index=False, null=True, related_name="tests"),
                ),
                migrations.AddField("Test", "passed", fields.FlagField(blank=True, null=True)),
                migrations.AddField("Test", "taken_at", fields.TimeOfDayField(db_default="")),
                migrations.AddField(
                    "Test",
                    "taken_as",
                    fields.WordField(["as_found", "as_left"], blank=True, max_length=8, null=True),
                ),
                migrations.AddField(
                    "Test",
                    "instrument_record",
                    fields.SharedKey("sites.instrument", db_index=False, null=True, related_name="tests"),
                ),
                migrations.AddField("Test", "calibration_due_on", fields.DayField(blank=True, null=True)),
                migrations.AddField(
                    "Test", "electronics_disconnected", fields.FlagField(blank=True, null=True)
                ),
                migrations.AddField(
                    "Test",
                    "visit",
                    fields.SiteKey("zones.visit", db_index=False, null=True, related_name="tests"),
                ),
            ],
        )
    ]
