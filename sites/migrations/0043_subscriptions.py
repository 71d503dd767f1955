"""Who is sent events."""

import django.contrib.postgres.fields
import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("sites", "0042_events_by_customer")]
    operations = [
        migrations.CreateModel(
            name="Subscription",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("name", models.CharField(max_length=120)),
                ("url", models.CharField(max_length=1000)),
                (
                    "kinds",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.CharField(max_length=60),
                        blank=True,
                        default=list,
                        help_text="Empty: every kind.",
                        size=None,
                    ),
                ),
                (
                    "narrowed",
                    models.BooleanField(
                        default=False, help_text="True: only the listed customers, even when none is left."
                    ),
                ),
                (
                    "least_severity",
                    models.CharField(
                        blank=True,
                        help_text="Of cases, only those so severe, or more; blank: all of them.",
                        max_length=20,
                    ),
                ),
                ("telephones", models.BooleanField(default=False)),
                ("secret", models.BinaryField(max_length=400)),
                ("old_secret", models.BinaryField(max_length=400, null=True)),
                (
                    "old_secret_until",
                    models.DateTimeField(
                        editable=False, help_text="Until then the secret before signs too.", null=True
                    ),
                ),
                (
                    "state",
                    models.CharField(choices=[("on", "on"), ("off", "off")], default="on", max_length=3),
                ),
                (
                    "off_because",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("asked", "somebody switched it off"),
                            ("gone", "the receiver answered 410 Gone"),
                            ("failing", "every attempt failed for five days"),
                        ],
                        max_length=10,
                    ),
                ),
                ("state_since", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "failing_since",
                    models.DateTimeField(help_text="The first failure since the last success.", null=True),
                ),
                (
                    "paused_until",
                    models.DateTimeField(help_text="The receiver asked us to wait so long.", null=True),
                ),
                (
                    "position",
                    models.BigIntegerField(
                        default=0, help_text="The last event that deliveries were made of."
                    ),
                ),
                ("created_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ("version", models.BigIntegerField(default=1, editable=False)),
                (
                    "customers",
                    models.ManyToManyField(blank=True, db_table="subscription_customer", to="sites.customer"),
                ),
                (
                    "owner",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "db_table": "subscription",
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("kinds__len__lte", 40)), name="subscription_kinds_at_most_40"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("off_because", ""), ("state", "on")),
                            models.Q(("state", "off"), models.Q(("off_because", ""), _negated=True)),
                            _connector="OR",
                        ),
                        name="subscription_off_with_a_reason",
                    ),
                ],
            },
        ),
    ]
