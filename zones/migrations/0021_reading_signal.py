"""A reading says what was paged while it was taken: speech, or a steady tone at full level."""

from django.db import migrations, models

from sites import fields

COLUMN = "ALTER TABLE reading ADD COLUMN signal varchar(8) DEFAULT 'speech' NOT NULL;\n"
# Of the rows that are there they hold already; none of them is read through here
CHECKS = """
ALTER TABLE reading
    ADD CONSTRAINT reading_signal_check CHECK (signal IN ('speech', 'tone')) NOT VALID,
    ADD CONSTRAINT reading_tone_while_paging CHECK (signal = 'speech' OR state = 'paging') NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("zones", "0020_signal_is_of_the_facts")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [migrations.RunSQL(COLUMN + CHECKS, "ALTER TABLE reading DROP COLUMN signal")],
            [
                migrations.AddField(
                    "Reading",
                    "signal",
                    fields.WordField(["speech", "tone"], default="speech", db_default="speech", max_length=8),
                ),
                migrations.AddConstraint(
                    "Reading",
                    models.CheckConstraint(
                        condition=models.Q(("signal", "speech"), ("state", "paging"), _connector="OR"),
                        name="reading_tone_while_paging",
                    ),
                ),
            ],
        )
    ]
