"""A customer says whether what is only probably past opens a case at sites without a contract."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v2.probably_past import CUSTOMER_MARKS


class Migration(migrations.Migration):
    dependencies = [("sites", "0036_supplies_by_battery")]
    operations = [
        migrations.AddField(
            "customer",
            "probably_past_opens_cases",
            fields.FlagField(
                db_default=False,
                default=False,
                help_text="At sites that no contract covers: open a case already when a limit is probably "
                "past.",
            ),
        ),
        CUSTOMER_MARKS,
    ]
