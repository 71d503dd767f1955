"""A reading may say what its instrument is good to, and how warm the cable was; and it says what was paged
while it was taken: speech, or a steady tone at full level."""

from django.db import migrations, models

from sites import fields
from sites.changes.sql_v2.columns import AddColumns

SIGNAL = fields.WordField(["speech", "tone"], default="speech", db_default="speech", max_length=8)


class Migration(migrations.Migration):
    dependencies = [("zones", "0011_segments")]
    operations = [
        AddColumns(
            "Reading",
            models.CheckConstraint(
                condition=models.Q(signal="speech") | models.Q(state="paging"),
                name="reading_tone_while_paging",
            ),
            instrument_error=fields.QuantityField(minimum=0, maximum=1, null=True),
            temperature_c=fields.temperature(null=True),
            signal=SIGNAL,
        )
    ]
