"""The database holds the rules that cross rows of runs, points, landings, clips and readings."""

from django.db import migrations

from sites.changes.sql_v1 import install
from sites.changes.sql_v1.rules import Check, Later, User, ends, hold, hold_later, of_kind, stands, stood

_DEVICE_KIND = "CASE t.kind WHEN 'ceiling_speaker' THEN 1 WHEN 'wall_speaker' THEN 2 WHEN 'horn' THEN 3 END"
_OF_BLOCK = "SELECT block_id AS id, max(last_row) AS last_row{} FROM written GROUP BY block_id"
_CANNOT_ISOLATE = "kind NOT IN ('66_split', '110')"
_BEYOND = "ON f.block_id = n.id WHERE f.row > n.row_count"
_FEEDS = ("output", "supply", "amplifier")
HELD = [
    hold(
        "zone_endpoint",
        [
            stands("zone_endpoint", "zone_id", "zone"),
            stands("zone_endpoint", "endpoint_id", "endpoint"),
        ],
        ["zone_id", "endpoint_id"],
    ),
    hold("run", [stood("run", "block_id", "block")], ["block_id"]),
    hold(
        "run_facts",
        [
            stands("run_facts", "run_id", "run"),
            *[stands("run_facts", f"{of}_id", of, "run") for of in ("zone", *_FEEDS)],
            Check(
                "run_facts_fed_by_what_fits_its_kind",
                "CASE t.kind WHEN 'self_amplified' THEN n.amplifier_id ELSE n.supply_id END IS NOT NULL",
                "SELECT run_id AS id, supply_id, amplifier_id FROM written",
                "run",
            ),
        ],
        ["run_id", "zone_id", "output_id", "supply_id", "amplifier_id"],
    ),
    hold(
        "point_facts",
        [
            of_kind("point_facts", ["ceiling_speaker", "wall_speaker", "horn"]),
            Check(
                "point_facts_device_of_its_model",
                f"n.device_kind <> {_DEVICE_KIND}",
                "SELECT DISTINCT model_id AS id, device_kind FROM written WHERE model_id IS NOT NULL",
                "device_model",
            ),
            stands("point_facts", "run_id", "run"),
            stands("point_facts", "zone_id", "zone", "run"),
            stands("point_facts", "feed_supply_id", "supply", "run"),
            Check(
                "point_facts_fed_by_what_fits_its_run",
                "t.kind <> 'self_amplified'",
                "SELECT run_id AS id FROM written WHERE feed_supply_id IS NOT NULL",
                "run",
            ),
        ],
        ["run_id", "model_id", "device_kind", "zone_id", "feed_supply_id"],
    ),
    hold(
        "landing",
        [
            *[stands("landing", f"{of}_id", of) for of in ("block", "run", *_FEEDS)],
            Check("landing_row_of_its_block", "n.last_row > t.row_count", _OF_BLOCK.format(""), "block"),
        ],
        ["block_id", "run_id", "output_id", "supply_id", "amplifier_id"],
        more=', max("row") AS last_row',
    ),
    hold(
        "clip_facts",
        [
            stands("clip_facts", "block_id", "block"),
            Check("clip_facts_row_of_its_block", "n.last_row > t.row_count", _OF_BLOCK.format(""), "block"),
            Check(
                "clip_facts_block_can_isolate",
                f"n.some_out AND t.{_CANNOT_ISOLATE}",
                _OF_BLOCK.format(", bool_or(some_out) AS some_out"),
                "block",
            ),
        ],
        ["block_id"],
        more=', max("row") AS last_row, bool_or(NOT is_in) AS some_out',
    ),
    hold(
        "reading",
        [
            Check(
                "reading_taken_by_then",
                "n.taken_on > t.happened_on",
                "SELECT change_set_id AS id, taken_on FROM written",
                "change_set",
            )
        ],
        ["change_set_id", "taken_on"],
        step="step",
    ),
]
_ZONES_OF_SETS = "JOIN paging_set_zone m ON m.paging_set_id = n.id JOIN zone z ON z.id = m.zone_id"
_OUTLASTS_ITS_ZONE = "z.end_step IS NOT NULL AND (n.end_step IS NULL OR n.end_step > z.end_step)"
_ZONE_ENDS = ends(
    "zone",
    [
        User("run_facts", "zone_id", "run"),
        User("point_facts", "zone_id", "run"),
        User("zone_endpoint", "zone_id"),
    ],
)
_SOURCE = [("run_facts", "run"), ("landing", "")]
LATER = [
    Later(
        "run_of_another_kind",
        "run",
        "UPDATE",
        "OLD.kind IS DISTINCT FROM NEW.kind",
        [
            Check(
                "run_facts_fed_by_what_fits_its_kind",
                "JOIN run_facts f ON f.run_id = n.id WHERE CASE n.kind WHEN 'self_amplified' "
                "THEN f.amplifier_id IS NOT NULL ELSE f.supply_id IS NOT NULL END",
            ),
            Check(
                "point_facts_fed_by_what_fits_its_run",
                "JOIN point_facts f ON f.run_id = n.id "
                "WHERE f.feed_supply_id IS NOT NULL AND n.kind <> 'self_amplified'",
            ),
        ],
    ),
    Later(
        "block_of_another_kind",
        "block",
        "UPDATE",
        "(OLD.kind, OLD.row_count) IS DISTINCT FROM (NEW.kind, NEW.row_count)",
        [
            Check(
                "landing_row_of_its_block", "JOIN landing l ON l.block_id = n.id WHERE l.row > n.row_count"
            ),
            Check(
                "clip_facts_row_of_its_block",
                "JOIN clip_facts f ON f.block_id = n.id WHERE f.row > n.row_count",
            ),
            Check(
                "clip_facts_block_can_isolate",
                f"JOIN clip_facts f ON f.block_id = n.id WHERE NOT f.is_in AND n.{_CANNOT_ISOLATE}",
            ),
        ],
    ),
    Later(
        "paging_set_without_zones",
        "paging_set",
        "INSERT",
        "",
        [
            Check(
                "paging_set_has_zones",
                "WHERE NOT EXISTS (SELECT FROM paging_set_zone m WHERE m.paging_set_id = n.id)",
            ),
            Check(
                "paging_set_zone_stands",
                f"{_ZONES_OF_SETS} WHERE (n.begin_step < z.begin_step OR {_OUTLASTS_ITS_ZONE})",
            ),
        ],
    ),
    ends("block", [User("run", "block_id"), User("landing", "block_id")], ["clip_facts"]),
    ends("run", [User("landing", "run_id")], ["run_facts", "point_facts"]),
    *[
        ends(
            of,
            [User(table, f"{of}_id", thing) for table, thing in _SOURCE]
            + ([User("point_facts", "feed_supply_id", "run")] if of == "supply" else []),
            [] if of == "output" else [f"{of}_facts"],
        )
        for of in ("output", "supply", "amplifier")
    ],
    ends(
        "endpoint", [User("output", "endpoint_id"), User("zone_endpoint", "endpoint_id")], ["endpoint_facts"]
    ),
    _ZONE_ENDS._replace(
        checks=[
            *_ZONE_ENDS.checks,
            Check(
                "zone_in_use",
                "JOIN paging_set_zone m ON m.zone_id = n.id JOIN paging_set s ON s.id = m.paging_set_id "
                "WHERE n.end_step IS NOT NULL AND (s.end_step IS NULL OR s.end_step > n.end_step)",
            ),
        ]
    ),
]


class Migration(migrations.Migration):
    dependencies = [("sites", "0005_rules"), ("zones", "0003_search")]
    operations = [
        *[install(sql) for sql in HELD],
        *[install(hold_later(later)) for later in LATER],
    ]
