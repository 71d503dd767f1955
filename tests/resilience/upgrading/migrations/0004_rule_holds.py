"""The rows that were there keep them too."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("upgrading", "0003_rule")]
    operations = [
        migrations.RunSQL("ALTER TABLE run VALIDATE CONSTRAINT run_walks", migrations.RunSQL.noop),
        migrations.RunSQL("ALTER TABLE point VALIDATE CONSTRAINT point_site", migrations.RunSQL.noop),
    ]
