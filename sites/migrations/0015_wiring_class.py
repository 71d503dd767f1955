"""What wiring classes are judged by: the listing of a cable, the marking of an amplifier's outputs, and whose
rules govern a site."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install

# (model, table, column, its length, its words)
WORDS = (
    ("CableType", "cable_type", "listing", 20, ["communications", "class_2", "class_3", "power"]),
    ("DeviceModel", "device_model", "output_class", 12, ["class_1", "class_2", "class_3", "unmarked"]),
    ("Site", "site", "jurisdiction", 20, ["united_states", "canada", "elsewhere"]),
)


def columns() -> list[migrations.SeparateDatabaseAndState]:
    made = []
    for model, table, column, length, words in WORDS:
        listed = ", ".join(f"'{word}'" for word in words)
        # Of the rows that are there it holds already; none of them is read through here
        check = (
            f"ALTER TABLE {table} ADD CONSTRAINT {table}_{column}_check"
            f" CHECK ({column} IN ({listed})) NOT VALID;"
        )
        field = fields.WordField(words, blank=True, max_length=length, null=True)
        made.append(
            migrations.SeparateDatabaseAndState(
                [
                    migrations.RunSQL(
                        f"ALTER TABLE {table} ADD COLUMN {column} varchar({length})",
                        f"ALTER TABLE {table} DROP COLUMN {column}",
                    ),
                    install(check),
                ],
                [migrations.AddField(model, column, field)],
            )
        )
    return made


class Migration(migrations.Migration):
    dependencies = [("sites", "0014_conductors")]
    operations = columns()
