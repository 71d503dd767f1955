"""The facts of zones are held to zones of their site: the key of the migration before is made valid."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("zones", "0018_facts_of_their_zones")]
    operations = [
        migrations.RunSQL(
            "ALTER TABLE zone_facts VALIDATE CONSTRAINT zone_facts_zone_of_its_site", migrations.RunSQL.noop
        )
    ]
