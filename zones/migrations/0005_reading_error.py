"""A reading may say what its instrument is good to, and how warm the cable was."""

from django.db import migrations

from sites import fields


class Migration(migrations.Migration):
    dependencies = [("zones", "0004_rules")]
    operations = [
        migrations.AddField(
            "reading",
            "instrument_error",
            fields.QuantityField(blank=True, null=True, minimum=0, maximum=1),
        ),
        migrations.AddField(
            "reading",
            "temperature_c",
            fields.QuantityField(blank=True, null=True, unit="°C", minimum=-60, maximum=90),
        ),
    ]
