"""Customers and contracts."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("sites", "0002_step_functions"),
    ]

    operations = [
        migrations.CreateModel(
            name="Customer",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("name", models.TextField(unique=True)),
                (
                    "code",
                    models.SlugField(
                        help_text="Short name used in files and addresses.", max_length=40, unique=True
                    ),
                ),
                ("note", models.TextField(blank=True)),
                ("version", models.BigIntegerField(default=1, editable=False)),
            ],
            options={
                "db_table": "customer",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="Contract",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("reference", models.CharField(max_length=80)),
                ("response_hours", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("test_interval_months", models.PositiveSmallIntegerField(blank=True, null=True)),
                (
                    "event_when_probable",
                    models.BooleanField(
                        default=True,
                        help_text="Send an event already when a limit is probably past, not only when it is.",
                    ),
                ),
                ("note", models.TextField(blank=True)),
                ("version", models.BigIntegerField(default=1, editable=False)),
                (
                    "customer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="contracts",
                        to="sites.customer",
                    ),
                ),
            ],
            options={
                "db_table": "contract",
                "ordering": ["reference", "id"],
                "constraints": [
                    models.UniqueConstraint(
                        fields=("customer", "reference"), name="contract_reference_once_a_customer"
                    )
                ],
            },
        ),
    ]
