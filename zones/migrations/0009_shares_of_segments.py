"""A segment that was cut at a distance not recorded is in shares, whose lengths are known together."""

from django.db import migrations, models

from sites import fields
from sites.changes.sql_v1 import install

COLUMNS = (
    "ALTER TABLE point_facts ADD COLUMN length_share double precision, ADD COLUMN length_share_place smallint"
)
# Of the rows that are there they hold already; none of them is read through here
CHECKS = """
ALTER TABLE point_facts ADD CONSTRAINT point_facts_length_share_check
    CHECK (length_share > 0 AND length_share <= 1) NOT VALID;
ALTER TABLE point_facts ADD CONSTRAINT point_facts_length_share_place_check
    CHECK (length_share_place BETWEEN 0 AND 3) NOT VALID;
ALTER TABLE point_facts ADD CONSTRAINT point_facts_length_share_and_place
    CHECK ((length_share IS NULL) = (length_share_place IS NULL)) NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("zones", "0008_run_temperature_holds")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [
                migrations.RunSQL(
                    COLUMNS,
                    "ALTER TABLE point_facts DROP COLUMN length_share, DROP COLUMN length_share_place",
                ),
                install(CHECKS),
            ],
            [
                migrations.AddField(
                    "PointFacts",
                    "length_share",
                    fields.QuantityField(blank=True, null=True, above=0, maximum=1),
                ),
                migrations.AddField(
                    "PointFacts",
                    "length_share_place",
                    fields.NumberedWordField(["first", "middle", "last", "alone"], blank=True, null=True),
                ),
                migrations.AddConstraint(
                    "PointFacts",
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("length_share__isnull", True), ("length_share_place__isnull", True)),
                            models.Q(("length_share__isnull", False), ("length_share_place__isnull", False)),
                            _connector="OR",
                        ),
                        name="point_facts_length_share_and_place",
                    ),
                ),
            ],
        )
    ]
