"""A change set holds so many operations; what was stored before is not read through."""

from django.contrib.postgres.operations import AddConstraintNotValid
from django.db import migrations, models
from django.db.models.lookups import LessThanOrEqual


class Migration(migrations.Migration):
    dependencies = [("sites", "0027_secrets_replaced_and_removed")]
    operations = [
        AddConstraintNotValid(
            "ChangeSet",
            models.CheckConstraint(
                condition=LessThanOrEqual(
                    models.Func(
                        models.F("operations"),
                        function="jsonb_array_length",
                        output_field=models.IntegerField(),
                    ),
                    500,
                ),
                name="change_set_operations_limited",
            ),
        )
    ]
