"""Zones are found by name and page code, and their groups by name; see `sites.0013_search`."""

from django.db import migrations

# array_to_string() is only STABLE, since it could be given any type; of texts, it is not
JOINED = """
CREATE FUNCTION zonebook_joined(words varchar[]) RETURNS text
LANGUAGE plpgsql IMMUTABLE PARALLEL SAFE STRICT AS $$ BEGIN RETURN array_to_string(words, ' '); END $$;
"""


class Migration(migrations.Migration):
    dependencies = [("zones", "0008_record_triggers"), ("sites", "0013_search")]
    operations = [
        migrations.RunSQL(JOINED, "DROP FUNCTION zonebook_joined(varchar[])"),
        migrations.RunSQL(
            "CREATE INDEX zone_searched ON zone USING gin (zonebook_folded("
            "name || ' ' || page_code || ' ' || zonebook_joined(groups)) gin_trgm_ops)",
            "DROP INDEX zone_searched",
        ),
    ]
