"""Every reference between rows of the record stays within one site, and a point's facts within its run."""

from django.db import migrations

from sites.changes.sql_v1.site_keys import SiteKey, add_site_keys, add_spans, drop_site_keys, drop_spans

KEYS = [
    SiteKey("zone_endpoint", "zone_id", "zone"),
    SiteKey("zone_endpoint", "endpoint_id", "endpoint"),
    SiteKey("paging_set_zone", "paging_set_id", "paging_set"),
    SiteKey("paging_set_zone", "zone_id", "zone"),
    SiteKey("run", "block_id", "block"),
    SiteKey("run_facts", "run_id", "run"),
    SiteKey("run_facts", "zone_id", "zone"),
    SiteKey("run_facts", "output_id", "output"),
    SiteKey("run_facts", "supply_id", "supply"),
    SiteKey("run_facts", "amplifier_id", "amplifier"),
    SiteKey("point", "run_id", "run"),
    SiteKey("point_facts", "zone_id", "zone"),
    SiteKey("point_facts", "feed_supply_id", "supply"),
    SiteKey("landing", "block_id", "block"),
    SiteKey("landing", "run_id", "run"),
    SiteKey("landing", "output_id", "output"),
    SiteKey("landing", "supply_id", "supply"),
    SiteKey("landing", "amplifier_id", "amplifier"),
    SiteKey("clip_facts", "block_id", "block"),
    SiteKey("reading", "run_id", "run"),
    SiteKey("reading", "switch_id", "switch"),
    SiteKey("reading", "supersedes_id", "reading"),
    SiteKey("finding", "case_id", "case"),
    SiteKey("case", "change_set_id", "change_set"),
]
SPANS = ["zone", "zone_endpoint", "paging_set", "run", "landing"]

# A point's rank is written with its facts, so that a parent which comes later is refused by a check; the two
# are one by these keys, and a new rank is carried along.
POINT_KEYS = """
ALTER TABLE point_facts ADD CONSTRAINT point_facts_point_of_its_run
    FOREIGN KEY (site_id, run_id, point_id, rank)
    REFERENCES point (site_id, run_id, id, rank) ON UPDATE CASCADE;
ALTER TABLE point_facts ADD CONSTRAINT point_facts_parent_of_its_run
    FOREIGN KEY (site_id, run_id, parent_id, parent_rank)
    REFERENCES point (site_id, run_id, id, rank)
    ON UPDATE CASCADE;
ALTER TABLE reading ADD CONSTRAINT reading_point_of_its_run
    FOREIGN KEY (site_id, run_id, point_id) REFERENCES point (site_id, run_id, id);
"""
DROP_POINT_KEYS = """
ALTER TABLE reading DROP CONSTRAINT reading_point_of_its_run;
ALTER TABLE point_facts DROP CONSTRAINT point_facts_parent_of_its_run;
ALTER TABLE point_facts DROP CONSTRAINT point_facts_point_of_its_run;
"""


class Migration(migrations.Migration):
    dependencies = [("sites", "0010_keys_within_a_site"), ("zones", "0006_findings")]
    operations = [
        migrations.RunSQL(add_site_keys(KEYS), drop_site_keys(KEYS)),
        migrations.RunSQL(POINT_KEYS, DROP_POINT_KEYS),
        migrations.RunSQL(add_spans(SPANS), drop_spans(SPANS)),
    ]
