"""A token has so many scopes."""

from django.contrib.postgres.operations import AddConstraintNotValid
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("sites", "0028_operations_limited")]
    operations = [
        AddConstraintNotValid(
            "Token",
            models.CheckConstraint(
                condition=models.Q(("scopes__len__lte", 40)), name="token_scopes_at_most_40"
            ),
        )
    ]
