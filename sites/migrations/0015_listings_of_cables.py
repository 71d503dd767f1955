"""Cable types say what they are listed as."""

from django.db import migrations

from sites.changes.sql_v2.columns import word_column

WORDS = ("communications", "class_2", "class_3", "power")


class Migration(migrations.Migration):
    dependencies = [("sites", "0014_conductors")]
    operations = [word_column("CableType", "cable_type", "listing", WORDS, length=20)]
