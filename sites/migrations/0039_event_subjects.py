"""How many events of each subject were published: they are counted for receivers."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("sites", "0038_contract_probably_past")]
    operations = [
        migrations.CreateModel(
            name="EventSubject",
            fields=[
                ("subject", models.CharField(max_length=200, primary_key=True, serialize=False)),
                ("published", models.BigIntegerField()),
            ],
            options={"db_table": "event_subject"},
        )
    ]
