"""A speaker's model states the highest voltage that it takes, a battery-backed supply's its float charge."""

from django.db import migrations

from sites.changes.sql_v1 import install, tables

NAMES = ("maximum_voltage_v", "float_voltage_v")
COLUMNS = "".join(f'ALTER TABLE device_model ADD COLUMN "{name}" double precision NULL;\n' for name in NAMES)
DROPS = "".join(f'ALTER TABLE device_model DROP COLUMN "{name}";\n' for name in NAMES)
# Of the rows that are there it holds already; none of them is read through here
CHECKS = "".join(
    f"ALTER TABLE device_model ADD CONSTRAINT device_model_{name}_check "
    f'CHECK ("{name}" > 0 AND "{name}" <= 120) NOT VALID;\n'
    for name in NAMES
)


class Migration(migrations.Migration):
    dependencies = [("sites", "0018_wiring_class_words")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [migrations.RunSQL(COLUMNS, DROPS), install(CHECKS)],
            [
                migrations.AddField("DeviceModel", *tables.quantity(name, "V", above=0, maximum=120))
                for name in NAMES
            ],
        )
    ]
