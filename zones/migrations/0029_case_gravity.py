"""A case keeps what lists of cases are sorted by, and when it last changed. A recheck writes both."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("zones", "0028_orders_of_lists")]
    operations = [
        migrations.AddField(
            "case",
            "gravity",
            models.SmallIntegerField(
                db_default=0,
                default=0,
                editable=False,
                help_text="What lists are sorted by: ten times the severity, and the worst open verdict.",
            ),
        ),
        migrations.AddField(
            "case",
            "changed_at",
            models.DateTimeField(
                editable=False,
                null=True,
                help_text="When its findings, what people say of them, or its ticket last changed.",
            ),
        ),
    ]
