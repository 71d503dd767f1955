"""A rule for the rows to come, and a reference."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("upgrading", "0002_index")]
    operations = [
        migrations.RunSQL(
            "ALTER TABLE run ADD CONSTRAINT run_walks CHECK (walks >= 0) NOT VALID",
            "ALTER TABLE run DROP CONSTRAINT run_walks",
        ),
        migrations.RunSQL(
            "ALTER TABLE point ADD CONSTRAINT point_site FOREIGN KEY (site_id) REFERENCES site NOT VALID",
            "ALTER TABLE point DROP CONSTRAINT point_site",
        ),
    ]
