"""A segment that was cut at a distance not recorded is in shares, whose lengths are known together."""

from django.db import migrations, models
from django.db.models import Q

from sites import fields
from sites.changes.sql_v2.columns import AddColumns

PLACES = fields.NumberedWordField(["first", "middle", "last", "alone"], null=True)
BOTH = Q(length_share__isnull=True, length_share_place__isnull=True) | Q(
    length_share__isnull=False, length_share_place__isnull=False
)


class Migration(migrations.Migration):
    dependencies = [("zones", "0010_runs")]
    operations = [
        AddColumns(
            "PointFacts",
            models.CheckConstraint(condition=BOTH, name="point_facts_length_share_and_place"),
            length_share=fields.QuantityField(above=0, maximum=1, null=True),
            length_share_place=PLACES,
        )
    ]
