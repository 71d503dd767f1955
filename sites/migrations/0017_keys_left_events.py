"""Events that were written before say where a key hangs: the trigger takes it out."""

from django.db import migrations

_TOUCH = "UPDATE event SET body = body WHERE body @? '$.closets[*].key_location'"


class Migration(migrations.Migration):
    dependencies = [("sites", "0016_feed")]
    operations = [migrations.RunSQL(_TOUCH, migrations.RunSQL.noop)]
