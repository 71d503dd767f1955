"""A site says on which day it went into service, and whose wiring rules govern; whatever is not for people
alone marks it for a recheck."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v2.columns import AddColumns
from sites.changes.sql_v2.site import SITE_MARKS

JURISDICTIONS = ["united_states", "canada", "elsewhere"]


class Migration(migrations.Migration):
    dependencies = [("sites", "0006_change_sets")]
    operations = [
        AddColumns(
            "Site",
            commissioned_on=fields.DayField(null=True),
            jurisdiction=fields.WordField(JURISDICTIONS, null=True, max_length=20),
        ),
        SITE_MARKS,
    ]
