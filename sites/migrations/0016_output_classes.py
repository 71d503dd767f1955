"""The models of amplifiers say what class their outputs are marked."""

from django.db import migrations

from sites.changes.sql_v2.columns import word_column

WORDS = ("class_1", "class_2", "class_3", "unmarked")


class Migration(migrations.Migration):
    dependencies = [("sites", "0015_listings_of_cables")]
    operations = [word_column("DeviceModel", "device_model", "output_class", WORDS, length=12)]
