"""Cable types say whether their conductors are stranded, what colours these have, and what they are listed
as. Sites follow every edit of one."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install
from sites.changes.sql_v2 import catalogue
from sites.changes.sql_v2.columns import AddColumns

LISTINGS = ["communications", "class_2", "class_3", "power"]


class Migration(migrations.Migration):
    dependencies = [("sites", "0007_sites")]
    operations = [
        AddColumns(
            "CableType",
            stranded=fields.FlagField(null=True),
            conductor_colours=fields.LineField(blank=True, default="", db_default="", max_length=60),
            listing=fields.WordField(LISTINGS, null=True, max_length=20),
        ),
        install(catalogue.FOLLOWED),
        catalogue.follow("cable_type", "UPDATE", "cable type"),
    ]
