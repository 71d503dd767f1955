"""What an edit of the catalogue brought to light is told once a customer."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("sites", "0025_factors_followed"), ("zones", "0025_figures_limited")]
    operations = [
        migrations.CreateModel(
            name="CatalogueNews",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "case",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="zones.case",
                    ),
                ),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        help_text="The edit.",
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
            ],
            options={"db_table": "catalogue_news"},
        ),
        migrations.AddConstraint(
            "CatalogueNews",
            models.UniqueConstraint(fields=["change_set", "case"], name="catalogue_news_once_a_case"),
        ),
    ]
