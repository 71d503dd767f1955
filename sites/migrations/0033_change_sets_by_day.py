"""Change sets of all customers are listed by the day on which they happened or were recorded, and by kind or
purpose where that is not the usual one."""

from django.contrib.postgres.operations import AddIndexConcurrently
from django.db import migrations
from django.db.models import Index, Q


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("sites", "0032_contract_calendar_holds")]
    operations = [
        AddIndexConcurrently("changeset", Index(fields=["happened_on", "id"], name="change_set_by_day")),
        AddIndexConcurrently(
            "changeset", Index(fields=["recorded_at", "id"], name="change_set_by_recording")
        ),
        AddIndexConcurrently(
            "changeset",
            Index(fields=["kind", "happened_on", "id"], condition=~Q(kind="work"), name="change_set_by_kind"),
        ),
        AddIndexConcurrently(
            "changeset",
            Index(fields=["purpose", "id"], condition=~Q(purpose="record"), name="change_set_by_purpose"),
        ),
    ]
