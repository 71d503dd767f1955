"""A site says whose wiring rules govern."""

from django.db import migrations

from sites.changes.sql_v2.columns import word_column

WORDS = ("united_states", "canada", "elsewhere")


class Migration(migrations.Migration):
    dependencies = [("sites", "0016_output_classes")]
    operations = [word_column("Site", "site", "jurisdiction", WORDS, length=20)]
