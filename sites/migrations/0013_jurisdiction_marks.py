"""Another jurisdiction of a site changes what its wiring is judged by: the site is marked."""

from django.db import migrations

from sites.changes.sql_v2.marks import JURISDICTION_MARKS, WITHOUT_JURISDICTION


class Migration(migrations.Migration):
    dependencies = [("sites", "0012_wiring_class_words")]
    operations = [migrations.RunSQL(JURISDICTION_MARKS, WITHOUT_JURISDICTION)]
