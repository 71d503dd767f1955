"""Events, written with the change that made them."""

import django.core.serializers.json
import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("sites", "0008_equipment"),
    ]

    operations = [
        migrations.CreateModel(
            name="Event",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("kind", models.CharField(max_length=60)),
                ("subject", models.CharField(help_text="Resource path, such as cases/41.", max_length=200)),
                ("case_key", models.CharField(blank=True, max_length=120)),
                ("body", models.JSONField(encoder=django.core.serializers.json.DjangoJSONEncoder)),
                ("happened_at", models.DateTimeField()),
                ("sequence", models.BigIntegerField(editable=False, null=True, unique=True)),
                (
                    "customer",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.customer",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
            ],
            options={
                "db_table": "event",
                "indexes": [
                    models.Index(
                        condition=models.Q(("sequence__isnull", True)),
                        fields=["id"],
                        name="event_unpublished",
                    )
                ],
            },
        ),
    ]
