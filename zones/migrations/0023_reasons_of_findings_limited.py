"""The reasons of a finding have a length. What the release before wrote is within it: the service cut it, and
REST took no more."""

from django.contrib.postgres.operations import AddConstraintNotValid
from django.db import migrations, models
from django.db.models.functions import Length
from django.db.models.lookups import LessThanOrEqual


class Migration(migrations.Migration):
    dependencies = [("zones", "0022_reading_signal_holds")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [],
            [migrations.AlterField("Finding", "state_reason", models.TextField(blank=True, max_length=2000))],
        ),
        AddConstraintNotValid(
            "Finding",
            models.CheckConstraint(
                condition=LessThanOrEqual(Length("state_reason"), 2000), name="finding_state_reason_limited"
            ),
        ),
        AddConstraintNotValid(
            "Finding",
            models.CheckConstraint(
                condition=models.Q(
                    ("reasons__len__lte", 20),
                    LessThanOrEqual(
                        Length(
                            models.Func(
                                models.F("reasons"),
                                models.Value(""),
                                function="array_to_string",
                                output_field=models.TextField(),
                            )
                        ),
                        10000,
                    ),
                ),
                name="finding_reasons_limited",
            ),
        ),
    ]
