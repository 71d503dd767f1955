"""What went wrong with a site is kept in short, as the release before does."""

from django.db import migrations, models
from django.db.models.functions import Length
from django.db.models.lookups import LessThanOrEqual

from sites.changes.sql_v2.columns import AddColumns

SHORT = LessThanOrEqual(Length("last_error"), 500)


class Migration(migrations.Migration):
    dependencies = [("zones", "0007_findings_of_new_limits")]
    operations = [
        migrations.AlterField("SiteCheck", "last_error", models.TextField(max_length=500)),
        AddColumns(
            "SiteCheck", models.CheckConstraint(condition=SHORT, name="site_check_last_error_limited")
        ),
    ]
