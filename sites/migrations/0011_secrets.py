"""A code has a version, so that it is replaced knowingly, and can be removed while its log stays."""

from django.db import migrations, models
from django.utils import timezone

from sites.changes.sql_v2.columns import AddColumns


class Migration(migrations.Migration):
    dependencies = [("sites", "0010_factors")]
    operations = [
        migrations.AlterField("Secret", "written_at", models.DateTimeField(default=timezone.now)),
        AddColumns(
            "Secret",
            version=models.BigIntegerField(db_default=1, default=1),
            removed_at=models.DateTimeField(null=True),
        ),
    ]
