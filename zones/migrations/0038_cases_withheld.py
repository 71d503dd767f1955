"""A case of what is only probably past may be withheld."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("zones", "0037_search_filled"), ("sites", "0038_contract_probably_past")]
    operations = [
        migrations.AddField(
            "case",
            "withheld",
            models.BooleanField(
                db_default=False,
                default=False,
                editable=False,
                help_text="Nothing in it is past for certain, and the contract (without one: the customer) "
                "opens no case for probably past. Lists leave it out unless asked.",
            ),
        ),
        migrations.AlterField(
            "case",
            "first_opened_at",
            models.DateTimeField(
                editable=False,
                help_text="When it opened the first time; null: not recorded, or withheld until now.",
                null=True,
            ),
        ),
    ]
