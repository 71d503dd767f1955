"""A reading may say what its instrument is good to, and how warm the cable was."""

from django.db import migrations

from sites import fields

COLUMNS = """
ALTER TABLE reading ADD COLUMN instrument_error double precision, ADD COLUMN temperature_c double precision;
"""
# Of the rows that are there they hold already; none of them is read through here
CHECKS = """
ALTER TABLE reading
    ADD CONSTRAINT reading_instrument_error_check
        CHECK (instrument_error >= 0 AND instrument_error <= 1) NOT VALID,
    ADD CONSTRAINT reading_temperature_c_check
        CHECK (temperature_c >= -60 AND temperature_c <= 90) NOT VALID;
"""
BACK = "ALTER TABLE reading DROP COLUMN instrument_error, DROP COLUMN temperature_c"


class Migration(migrations.Migration):
    dependencies = [("zones", "0011_case_first_opened_at")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [migrations.RunSQL(COLUMNS + CHECKS, BACK)],
            [
                migrations.AddField(
                    "Reading",
                    "instrument_error",
                    fields.QuantityField(blank=True, null=True, minimum=0, maximum=1),
                ),
                migrations.AddField(
                    "Reading",
                    "temperature_c",
                    fields.QuantityField(blank=True, null=True, unit="°C", minimum=-60, maximum=90),
                ),
            ],
        )
    ]
