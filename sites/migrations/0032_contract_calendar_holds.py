"""The bounds of a contract's calendar hold throughout."""

from django.db import migrations

NAMES = (
    "contract_cover_hours_check", "contract_working_days_check", "contract_working_from_check",
    "contract_working_until_check", "contract_holidays_check", "contract_working_hours_stated",
)  # fmt: skip
VALIDATE = "".join(f"ALTER TABLE contract VALIDATE CONSTRAINT {name};\n" for name in NAMES)


class Migration(migrations.Migration):
    dependencies = [("sites", "0031_contract_calendar")]
    operations = [migrations.RunSQL(VALIDATE, migrations.RunSQL.noop)]
