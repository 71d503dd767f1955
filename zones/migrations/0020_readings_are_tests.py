"""A reading is a test of some kind, and the model says so. Its table keeps its name, since the release before
reads and writes it."""

from django.db import migrations

from sites import fields


class Migration(migrations.Migration):
    dependencies = [("zones", "0019_indexes")]
    operations = [
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.RenameModel("Reading", "Test"),
                *[
                    migrations.AlterField("Test", name, fields.SiteKey(to, null=True, related_name="tests"))
                    for name, to in (("run", "zones.run"), ("switch", "sites.switch"))
                ],
            ]
        )
    ]
