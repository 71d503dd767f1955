"""All rows are held to the checks that came without a look at them."""

from django.db import migrations

from sites.changes.sql_v2.columns import validate

CONTRACT = (
    "cover_hours_check", "working_days_check", "working_from_check", "working_until_check", "holidays_check",
    "working_hours_stated",
)  # fmt: skip


class Migration(migrations.Migration):
    dependencies = [("sites", "0018_usernames_once")]
    operations = [
        validate("change_set", "done_by_check", "kind_check"),
        validate("site", "commissioned_on_check", "jurisdiction_check"),
        validate("cable_type", "conductor_colours_check", "listing_check"),
        validate("device_model", "output_class_check", "maximum_voltage_v_check", "float_voltage_v_check"),
        validate("contract", *CONTRACT),
    ]
