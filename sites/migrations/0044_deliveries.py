"""Which event is sent to whom, and whether it was."""

import django.db.models.deletion
import django.utils.timezone
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("sites", "0043_subscriptions")]
    operations = [
        migrations.CreateModel(
            name="Delivery",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "uid",
                    models.UUIDField(help_text="What the receiver knows it by, however often it is sent."),
                ),
                ("subject", models.CharField(max_length=200)),
                (
                    "sequence",
                    models.BigIntegerField(help_text="That of the event; of a test, the last one before it."),
                ),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("waiting", "waiting"),
                            ("delivered", "delivered"),
                            ("dead", "given up"),
                            ("withheld", "not sent, since the owner may no longer see it"),
                        ],
                        default="waiting",
                        max_length=10,
                    ),
                ),
                ("attempts", models.PositiveIntegerField(default=0)),
                (
                    "failures",
                    models.PositiveIntegerField(
                        default=0, help_text="Attempts that count: none that was cut off."
                    ),
                ),
                (
                    "next_attempt_at",
                    models.DateTimeField(
                        help_text="Null while it waits: for one before it, of the same subject.", null=True
                    ),
                ),
                ("lease", models.UUIDField(help_text="Of the sender that is at it.", null=True)),
                ("leased_until", models.DateTimeField(null=True)),
                ("created_at", models.DateTimeField(default=django.utils.timezone.now)),
                ("finished_at", models.DateTimeField(null=True)),
                (
                    "subscription",
                    models.ForeignKey(
                        db_index=False,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="deliveries",
                        to="sites.subscription",
                    ),
                ),
                (
                    "event",
                    models.ForeignKey(
                        help_text="Null: a test.",
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="sites.event",
                    ),
                ),
            ],
            options={
                "db_table": "delivery",
                "constraints": [
                    models.UniqueConstraint(fields=("subscription", "event"), name="delivery_once_an_event")
                ],
                "indexes": [
                    models.Index(
                        condition=models.Q(("next_attempt_at__isnull", False), ("state", "waiting")),
                        fields=["subscription", "next_attempt_at"],
                        name="delivery_due",
                    ),
                    models.Index(
                        condition=models.Q(("state", "waiting")),
                        fields=["subscription", "subject", "sequence"],
                        name="delivery_by_subject",
                    ),
                    models.Index(
                        condition=models.Q(("lease__isnull", False)),
                        fields=["subscription"],
                        name="delivery_in_flight",
                    ),
                    models.Index(fields=["subscription", "id"], name="delivery_of_subscription"),
                ],
            },
        ),
    ]
