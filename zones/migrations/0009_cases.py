"""A case keeps when it opened the first time, what lists are sorted by, and when it last changed; one of
what is only probably past may be withheld. What an edit of the catalogue brought to light is told once a
customer."""

from django.db import migrations, models

from sites.changes.sql_v1 import tables
from sites.changes.sql_v2.columns import AddColumns


def of(to: str) -> models.ForeignKey:
    return models.ForeignKey(to, models.CASCADE, db_constraint=False, related_name="+")


class Migration(migrations.Migration):
    dependencies = [("sites", "0006_change_sets"), ("zones", "0008_site_errors")]
    operations = [
        migrations.CreateModel(
            "CatalogueNews",
            [tables.row_id(), ("case", of("zones.case")), ("change_set", of("sites.changeset"))],
            {
                "db_table": "catalogue_news",
                "constraints": [
                    models.UniqueConstraint(fields=["change_set", "case"], name="catalogue_news_once_a_case")
                ],
            },
        ),
        AddColumns(
            "Case",
            first_opened_at=models.DateTimeField(null=True),
            gravity=models.SmallIntegerField(db_default=0, default=0),
            changed_at=models.DateTimeField(null=True),
            withheld=models.BooleanField(db_default=False, default=False),
        ),
    ]
