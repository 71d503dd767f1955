"""What the publisher writes on an event, how far the feed has come and in which database, and which event
is sent to whom. No event says where a key hangs: the release before still writes it while this one is
rolled out, so a trigger takes it out, and can go a release later."""

from django.db import migrations, models
from django.db.models import Q
from django.utils.timezone import now

from sites.changes.sql_v1 import install, tables
from sites.changes.sql_v2.columns import AddColumns

WITHOUT_KEY = """
CREATE FUNCTION zonebook_event_without_key() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    NEW.body := jsonb_set(NEW.body, '{closets}', (
        SELECT jsonb_agg(one - 'key_location' ORDER BY place)
        FROM jsonb_array_elements(NEW.body -> 'closets') WITH ORDINALITY AS each (one, place)));
    RETURN NEW;
END $$;
CREATE TRIGGER event_without_key BEFORE INSERT OR UPDATE OF body ON event FOR EACH ROW
    WHEN (NEW.body @? '$.closets[*].key_location')
    EXECUTE FUNCTION zonebook_event_without_key();
"""
SUBSCRIPTION = models.ForeignKey(
    "sites.subscription", models.CASCADE, db_index=False, related_name="deliveries"
)


class Migration(migrations.Migration):
    dependencies = [("sites", "0015_subscriptions")]
    operations = [
        migrations.CreateModel(
            "EventSubject",
            [
                ("subject", models.CharField(max_length=200, primary_key=True)),
                ("published", models.BigIntegerField()),
            ],
            {"db_table": "event_subject"},
        ),
        migrations.CreateModel(
            "Feed",
            [
                ("id", models.PositiveSmallIntegerField(primary_key=True)),
                ("epoch", models.UUIDField(null=True)),
                ("database", models.CharField(max_length=100)),
                ("began_after", models.BigIntegerField(default=0)),
                ("published", models.BigIntegerField(default=0)),
                ("forgotten", models.BigIntegerField(default=0)),
                ("held_since", models.DateTimeField(null=True)),
            ],
            {
                "db_table": "feed",
                "constraints": [models.CheckConstraint(condition=Q(id=1), name="feed_is_one")],
            },
        ),
        migrations.CreateModel(
            "Delivery",
            [
                tables.row_id(),
                ("uid", models.UUIDField()),
                ("subject", models.CharField(max_length=200)),
                ("sequence", models.BigIntegerField()),
                ("state", models.CharField(default="waiting", max_length=10)),
                ("attempts", models.PositiveIntegerField(default=0)),
                ("failures", models.PositiveIntegerField(default=0)),
                ("next_attempt_at", models.DateTimeField(null=True)),
                ("lease", models.UUIDField(null=True)),
                ("leased_until", models.DateTimeField(null=True)),
                ("created_at", models.DateTimeField(default=now)),
                ("finished_at", models.DateTimeField(null=True)),
                ("subscription", SUBSCRIPTION),
                ("event", models.ForeignKey("sites.event", models.CASCADE, null=True, related_name="+")),
            ],
            {
                "db_table": "delivery",
                "constraints": [
                    models.UniqueConstraint(fields=["subscription", "event"], name="delivery_once_an_event")
                ],
                "indexes": [
                    models.Index(
                        fields=["subscription", "next_attempt_at"],
                        condition=Q(state="waiting", next_attempt_at__isnull=False),
                        name="delivery_due",
                    ),
                    models.Index(
                        fields=["subscription", "subject", "sequence"],
                        condition=Q(state="waiting"),
                        name="delivery_by_subject",
                    ),
                    models.Index(
                        fields=["subscription"], condition=Q(lease__isnull=False), name="delivery_in_flight"
                    ),
                    models.Index(fields=["subscription", "id"], name="delivery_of_subscription"),
                ],
            },
        ),
        migrations.CreateModel(
            "DeliveryAttempt",
            [
                tables.row_id(),
                ("at", models.DateTimeField()),
                ("error", models.CharField(default="under_way", max_length=12)),
                ("status", models.PositiveSmallIntegerField(null=True)),
                ("duration_ms", models.PositiveIntegerField(null=True)),
                ("delivery", models.ForeignKey("sites.delivery", models.CASCADE, related_name="tries")),
            ],
            {"db_table": "delivery_attempt"},
        ),
        AddColumns(
            "Event",
            uid=models.UUIDField(null=True),
            subject_number=models.BigIntegerField(null=True),
            published_at=models.DateTimeField(null=True),
        ),
        install(WITHOUT_KEY),
    ]
