"""What the tables rest on: extensions, and the functions in the defaults and rules of their columns."""

from django.contrib.postgres.operations import BtreeGistExtension, TrigramExtension, UnaccentExtension
from django.db import migrations

from sites.changes.sql_v1 import acceptance, install, texts


class Migration(migrations.Migration):
    dependencies = []
    operations = [
        TrigramExtension(),
        BtreeGistExtension(),
        UnaccentExtension(),
        install(acceptance.CONTEXT_FUNCTIONS),
        install(texts.TEXTS),
        install(texts.SEARCHED),
    ]
