"""What findings are sorted by is kept with them: it follows from limit and verdict. A recheck with the new
formulas writes it for those that are open."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("zones", "0026_catalogue_news")]
    operations = [
        migrations.AddField(
            "finding",
            "gravity",
            models.SmallIntegerField(
                db_default=0,
                default=0,
                editable=False,
                help_text="What lists are sorted by: ten times the severity of the limit, and the verdict.",
            ),
        ),
    ]
