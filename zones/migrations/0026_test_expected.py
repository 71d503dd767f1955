"""What tests should have read, as rechecks find it."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("sites", "0023_endpoint_service_holds"), ("zones", "0025_tests_hold")]
    operations = [
        migrations.CreateModel(
            name="Expected",
            fields=[
                ("test", models.OneToOneField(
                    db_constraint=False, on_delete=models.deletion.PROTECT, primary_key=True,
                    related_name="expected", serialize=False, to="zones.test",
                )),
                ("low", models.FloatField(null=True)),
                ("likely", models.FloatField(null=True)),
                ("high", models.FloatField(null=True)),
                ("error", models.FloatField()),
                ("outside", models.FloatField(null=True)),
                ("solver_version", models.IntegerField()),
                ("site", models.ForeignKey(
                    db_constraint=False, on_delete=models.deletion.PROTECT, related_name="+", to="sites.site"
                )),
            ],
            options={
                "db_table": "test_expected",
                "indexes": [
                    models.Index(condition=models.Q(outside__gt=0), fields=["test"], name="test_outside")
                ],
            },
        )
    ]  # fmt: skip
