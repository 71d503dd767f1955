"""Device models say what class an amplifier's outputs are marked, the highest voltage that a speaker
takes, and the float charge of a battery-backed supply. Sites follow every edit of one."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v2 import catalogue
from sites.changes.sql_v2.columns import AddColumns

CLASSES = ["class_1", "class_2", "class_3", "unmarked"]


class Migration(migrations.Migration):
    dependencies = [("sites", "0008_cable_types")]
    operations = [
        AddColumns(
            "DeviceModel",
            output_class=fields.WordField(CLASSES, null=True, max_length=12),
            maximum_voltage_v=fields.QuantityField(unit="V", above=0, maximum=120, null=True),
            float_voltage_v=fields.QuantityField(unit="V", above=0, maximum=120, null=True),
        ),
        catalogue.follow("device_model", "UPDATE", "device model"),
    ]
