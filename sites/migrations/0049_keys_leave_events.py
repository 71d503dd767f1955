"""No event says where a key hangs. The release before still writes it while this one is rolled out: a trigger
takes it out, and can go a release later."""

from django.db import migrations

_WITHOUT = """
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
_GO = "DROP TRIGGER event_without_key ON event; DROP FUNCTION zonebook_event_without_key();"


class Migration(migrations.Migration):
    dependencies = [("sites", "0048_technicians_accept")]
    operations = [migrations.RunSQL(_WITHOUT, _GO)]
