"""The contract's setting has the name of the customer's; its column keeps the name that the last release
reads. An edit of it marks the sites that the contract covers."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v2.probably_past import CONTRACT_MARKS

_FIELD = fields.FlagField(
    db_column="event_when_probable",
    default=True,
    help_text="Open a case, and send its event, already when a limit is probably past, not only when it is.",
)


class Migration(migrations.Migration):
    dependencies = [("sites", "0037_customer_probably_past")]
    operations = [
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.RenameField("contract", "event_when_probable", "probably_past_opens_cases"),
                migrations.AlterField("contract", "probably_past_opens_cases", _FIELD),
            ]
        ),
        CONTRACT_MARKS,
    ]
