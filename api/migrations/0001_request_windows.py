"""How many requests each caller made; unlogged, since after a crash nobody needs the numbers."""

from django.db import migrations, models


class Migration(migrations.Migration):
    initial = True
    dependencies = []
    operations = [
        migrations.CreateModel(
            name="RequestWindow",
            fields=[
                ("caller", models.CharField(max_length=40, primary_key=True, serialize=False)),
                ("window", models.BigIntegerField(help_text="Number of the window since 1970.")),
                ("used", models.IntegerField()),
            ],
            options={"db_table": "request_window"},
        ),
        migrations.RunSQL("ALTER TABLE request_window SET UNLOGGED", "ALTER TABLE request_window SET LOGGED"),
    ]
