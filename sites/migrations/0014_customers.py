"""A customer says whether what technicians change is the record at once, and whether what is only probably
past opens a case at sites without a contract."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v2.columns import AddColumns
from sites.changes.sql_v2.probably_past import CUSTOMER_MARKS


class Migration(migrations.Migration):
    dependencies = [("sites", "0013_contracts")]
    operations = [
        AddColumns(
            "Customer",
            probably_past_opens_cases=fields.FlagField(db_default=False, default=False),
            technicians_accept=fields.FlagField(db_default=True, default=True),
        ),
        CUSTOMER_MARKS,
    ]
