"""A subject has so many figures: there are fewer limits."""

from django.contrib.postgres.operations import AddConstraintNotValid
from django.db import migrations, models

ARRAYS = (
    "codes", "low", "likely", "high", "limit_value", "verdict", "detail", "low_limit", "high_limit",
    "low_detail", "high_detail", "overloaded", "bounds", "supported",
)  # fmt: skip
CONDITION = models.Q()
for name in ARRAYS:
    CONDITION &= models.Q((f"{name}__len__lte", 100)) | models.Q((f"{name}__isnull", True))


class Migration(migrations.Migration):
    dependencies = [("zones", "0024_errors_of_sites_limited")]
    operations = [
        AddConstraintNotValid("Figures", models.CheckConstraint(condition=CONDITION, name="figures_limited"))
    ]
