"""Extensions: search by trigrams, exclusion constraints on plain columns, accents."""

from django.contrib.postgres.operations import BtreeGistExtension, TrigramExtension, UnaccentExtension
from django.db import migrations


class Migration(migrations.Migration):
    dependencies = []
    operations = [
        TrigramExtension(),
        BtreeGistExtension(),
        UnaccentExtension(),
    ]
