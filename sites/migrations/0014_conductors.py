"""Cable types say whether their conductors are stranded."""

from django.db import migrations

from sites import fields


class Migration(migrations.Migration):
    dependencies = [("sites", "0013_catalogue_corrections_hold")]
    operations = [
        migrations.AddField("cabletype", "stranded", fields.FlagField(blank=True, null=True)),
    ]
