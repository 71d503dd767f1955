"""How each attempt to send an event went."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("sites", "0044_deliveries")]
    operations = [
        migrations.CreateModel(
            name="DeliveryAttempt",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("at", models.DateTimeField()),
                (
                    "error",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("", "an answer came"),
                            ("under_way", "the receiver has not answered yet"),
                            ("cut_off", "Zonebook was stopped before an answer came"),
                            ("url", "no push may go to this URL"),
                            ("address", "the host has an address that no push may go to"),
                            ("host", "the name of the host has no address"),
                            ("connection", "no connection, or it broke off"),
                            (
                                "tls",
                                "no TLS connection: the certificate is not one of this host, or not trusted",
                            ),
                            ("timeout", "no whole answer in time"),
                            ("protocol", "the answer was not HTTP, or broke off"),
                            ("secret", "no key opens the secret; replace it"),
                        ],
                        default="under_way",
                        max_length=12,
                    ),
                ),
                (
                    "status",
                    models.PositiveSmallIntegerField(help_text="Of HTTP; null: no whole answer.", null=True),
                ),
                ("duration_ms", models.PositiveIntegerField(null=True)),
                (
                    "delivery",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="tries", to="sites.delivery"
                    ),
                ),
            ],
            options={
                "db_table": "delivery_attempt",
            },
        ),
    ]
