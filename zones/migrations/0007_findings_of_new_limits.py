"""On the way back, what only this release can read goes: findings of its new limits. All sites are computed
again by the release before."""

from django.db import migrations

NEW_LIMITS = (
    "wiring_class", "no_feed", "supplies_paralleled", "supply_over_voltage", "audio_reversed", "clip_out",
    "dc_on_audio", "stranded_on_idc", "voltage_disagrees",
)  # fmt: skip
_LISTED = ", ".join(f"'{code}'" for code in NEW_LIMITS)
BACK = f"""
DELETE FROM finding WHERE code IN ({_LISTED});
UPDATE site_check SET solver_version = 0 WHERE solver_version > 2;
"""  # noqa: S608 - our own codes


class Migration(migrations.Migration):
    dependencies = [("zones", "0006_findings")]
    operations = [migrations.RunSQL(migrations.RunSQL.noop, BACK)]
