"""What went wrong with a site is kept in short, as the release before does."""

from django.contrib.postgres.operations import AddConstraintNotValid
from django.db import migrations, models
from django.db.models.functions import Length
from django.db.models.lookups import LessThanOrEqual


class Migration(migrations.Migration):
    dependencies = [("zones", "0023_reasons_of_findings_limited")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [],
            [migrations.AlterField("SiteCheck", "last_error", models.TextField(blank=True, max_length=500))],
        ),
        AddConstraintNotValid(
            "SiteCheck",
            models.CheckConstraint(
                condition=LessThanOrEqual(Length("last_error"), 500), name="site_check_last_error_limited"
            ),
        ),
    ]
