"""No instrument was calibrated on a day that has begun nowhere yet."""

from django.db import migrations

from sites.changes.sql_v1 import install

HAS_COME = """
CREATE FUNCTION zonebook_instrument_calibrated() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'instrument breaks rule instrument_calibrated' USING
        ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'instrument_calibrated';
END $$;
CREATE TRIGGER instrument_calibrated BEFORE INSERT OR UPDATE OF calibrated_on ON instrument FOR EACH ROW
    WHEN (NEW.calibrated_on > (clock_timestamp() AT TIME ZONE 'Etc/GMT-14')::date)
    EXECUTE FUNCTION zonebook_instrument_calibrated();
"""


class Migration(migrations.Migration):
    dependencies = [("sites", "0028_table_headings_hold")]
    operations = [install(HAS_COME)]
