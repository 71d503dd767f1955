"""A code has a version, so that it is replaced knowingly, and can be removed while its log stays."""

from django.db import migrations, models
from django.utils import timezone


class Migration(migrations.Migration):
    dependencies = [("sites", "0026_kept_answers")]
    operations = [
        migrations.AddField(
            "Secret", "version", models.BigIntegerField(db_default=1, default=1, editable=False)
        ),
        migrations.AddField(
            "Secret",
            "removed_at",
            models.DateTimeField(
                editable=False, help_text="Then it holds no code; who wrote it last removed it.", null=True
            ),
        ),
        migrations.AlterField(
            "Secret", "written_at", models.DateTimeField(default=timezone.now, editable=False)
        ),
    ]
