"""Each estimate of a stored figure has its own limit and place, and says where it is no number. A subject
has so many figures: there are fewer limits."""

from django.contrib.postgres.fields import ArrayField
from django.db import migrations, models
from django.db.models import Q

from sites.changes.sql_v2.columns import AddColumns

NUMBER = models.FloatField(null=True)
ID = models.BigIntegerField(null=True)
LIMITED = Q()
for name in (
    "codes", "low", "likely", "high", "limit_value", "verdict", "detail", "low_limit", "high_limit",
    "low_detail", "high_detail", "overloaded", "bounds", "supported",
):  # fmt: skip
    LIMITED &= Q((f"{name}__len__lte", 100)) | Q((f"{name}__isnull", True))


class Migration(migrations.Migration):
    dependencies = [("zones", "0004_rules")]
    operations = [
        AddColumns(
            "Figures",
            models.CheckConstraint(condition=LIMITED, name="figures_limited"),
            low_limit=ArrayField(NUMBER, null=True),
            high_limit=ArrayField(NUMBER, null=True),
            low_detail=ArrayField(ID, null=True),
            high_detail=ArrayField(ID, null=True),
            overloaded=ArrayField(models.SmallIntegerField(), null=True),
            bounds=ArrayField(models.SmallIntegerField(), null=True),
        )
    ]
