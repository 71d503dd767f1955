"""The bounds of the highest voltages hold throughout."""

from django.db import migrations

VALIDATE = "".join(
    f"ALTER TABLE device_model VALIDATE CONSTRAINT device_model_{name}_check;\n"
    for name in ("maximum_voltage_v", "float_voltage_v")
)


class Migration(migrations.Migration):
    dependencies = [("sites", "0019_highest_voltages")]
    operations = [migrations.RunSQL(VALIDATE, migrations.RunSQL.noop)]
