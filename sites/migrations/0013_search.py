"""Search that forgives accents, capital letters and typing errors: text as it is compared, and trigrams of
it."""

from django.db import migrations

# unaccent() is only STABLE, since its dictionary could be edited; named with its schema and dictionary, ours
# is not
FOLDED = """
CREATE FUNCTION zonebook_folded(said text) RETURNS text
LANGUAGE sql IMMUTABLE PARALLEL SAFE STRICT COST 500
RETURN lower(public.unaccent('public.unaccent'::regdictionary, said));
"""

INDEXES = {
    "customer_searched": "customer USING gin (zonebook_folded(name || ' ' || code) gin_trgm_ops)",
    "site_searched": (
        "site USING gin (zonebook_folded("
        "name || ' ' || code || ' ' || address || ' ' || postal_code || ' ' || city) gin_trgm_ops)"
    ),
    "closet_searched": (
        "closet USING gin (zonebook_folded("
        "name || ' ' || building || ' ' || floor || ' ' || room) gin_trgm_ops)"
    ),
}


class Migration(migrations.Migration):
    dependencies = [("sites", "0012_record_triggers")]
    operations = [
        migrations.RunSQL(FOLDED, "DROP FUNCTION zonebook_folded(text)"),
        *[
            migrations.RunSQL(f"CREATE INDEX {name} ON {on}", f"DROP INDEX {name}")
            for name, on in INDEXES.items()
        ],
    ]
