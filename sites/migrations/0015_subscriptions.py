"""Who is sent events. A user has a version, so that they are altered knowingly, and a count of how often all
their sessions were ended."""

from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import migrations, models
from django.db.models import Q
from django.utils.timezone import now

from sites.changes.sql_v1 import tables
from sites.changes.sql_v2.columns import AddColumns

OWNER = models.ForeignKey(settings.AUTH_USER_MODEL, models.CASCADE, related_name="+")
REASON = Q(state="on", off_because="") | (Q(state="off") & ~Q(off_because=""))


class Migration(migrations.Migration):
    dependencies = [("sites", "0014_customers")]
    operations = [
        migrations.CreateModel(
            "Subscription",
            [
                tables.row_id(),
                ("name", models.CharField(max_length=120)),
                ("url", models.CharField(max_length=1000)),
                ("kinds", ArrayField(models.CharField(max_length=60), default=list)),
                ("narrowed", models.BooleanField(default=False)),
                ("least_severity", models.CharField(max_length=20)),
                ("telephones", models.BooleanField(default=False)),
                ("secret", models.BinaryField(max_length=400)),
                ("old_secret", models.BinaryField(max_length=400, null=True)),
                ("old_secret_until", models.DateTimeField(null=True)),
                ("state", models.CharField(default="on", max_length=3)),
                ("off_because", models.CharField(max_length=10)),
                ("state_since", models.DateTimeField(default=now)),
                ("failing_since", models.DateTimeField(null=True)),
                ("paused_until", models.DateTimeField(null=True)),
                ("position", models.BigIntegerField(default=0)),
                ("created_at", models.DateTimeField(default=now)),
                ("version", models.BigIntegerField(default=1)),
                ("customers", models.ManyToManyField("sites.customer", db_table="subscription_customer")),
                ("owner", OWNER),
            ],
            {
                "db_table": "subscription",
                "constraints": [
                    models.CheckConstraint(
                        condition=Q(kinds__len__lte=40), name="subscription_kinds_at_most_40"
                    ),
                    models.CheckConstraint(condition=REASON, name="subscription_off_with_a_reason"),
                ],
            },
        ),
        AddColumns(
            "User",
            version=models.BigIntegerField(db_default=1, default=1),
            sessions_ended=models.IntegerField(db_default=0, default=0),
        ),
    ]
