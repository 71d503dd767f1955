"""The words of what is paged to a zone hold throughout."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("zones", "0014_zone_signal")]
    operations = [
        migrations.RunSQL("ALTER TABLE zone VALIDATE CONSTRAINT zone_signal_check", migrations.RunSQL.noop)
    ]
