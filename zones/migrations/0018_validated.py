"""All rows are held to the checks, and to the key, that came without a look at them."""

from django.db import migrations

from sites.changes.sql_v2.columns import validate


class Migration(migrations.Migration):
    dependencies = [("zones", "0017_search_filled")]
    operations = [
        validate("run_facts", "design_temperature_c_check"),
        validate("point_facts", "length_share_check", "length_share_place_check", "length_share_and_place"),
        validate(
            "reading", "instrument_error_check", "temperature_c_check", "signal_check", "tone_while_paging"
        ),
        validate("zone_facts", "zone_of_its_site"),
    ]
