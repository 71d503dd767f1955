"""A table that refers to others."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("upgrading", "0004_rule_holds")]
    operations = [
        migrations.RunSQL(
            "CREATE TABLE walk (id bigint PRIMARY KEY, site_id bigint REFERENCES site, run_id bigint, "
            "FOREIGN KEY (site_id, run_id) REFERENCES run (site_id, id))",
            "DROP TABLE walk",
        ),
    ]
