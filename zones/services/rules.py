"""The named rules of what zones carry, in words."""

from __future__ import annotations

from sites.changes.constraints import add_rules, name_once, of_its_site, spans

add_rules(
    {
        **{
            f"{table}_of_site": (f"There is a {table.replace('_', ' ')} with this id.", "")
            for table in ("zone", "paging_set", "run", "reading", "case")
        },
        **name_once(zone="zone", paging_set="paging set", run="run"),
        **of_its_site(
            zone_endpoint="zone endpoint",
            paging_set_zone="paging_set zone",
            run="block",
            run_facts="run zone output supply amplifier",
            point="run",
            point_facts="zone feed_supply",
            landing="block run output supply amplifier",
            clip_facts="block",
            reading="run switch supersedes",
            finding="case",
            case="change_set",
        ),
        **spans("zone", "zone_endpoint", "paging_set", "run", "landing"),
        "zone_endpoint_once": ("This device is heard in this zone already.", "endpoint"),
        "paging_set_zone_once": ("This zone is in this paging set already.", "zones"),
        "run_facts_fuse_rating_of_a_fitted_fuse": (
            "A fuse's rating is above 0 A, and only a fitted fuse has one.",
            "fuse_rating_a",
        ),
        "point_of_site_and_run": ("There is a point with this id.", ""),
        "point_of_site_run_and_rank": ("There is a point with this id.", ""),
        "point_rank_once_a_run": ("Another point of this run has this place in its order.", ""),
        "point_name_once_a_run": ("Another point of this run has this name.", "name"),
        "point_facts_point_of_its_run": ("The point must be one of the same run.", "point"),
        "point_facts_parent_of_its_run": ("What a point hangs on must be a point of the same run.", "after"),
        "point_facts_parent_comes_before": ("What a point hangs on comes before it in its run.", "after"),
        "point_facts_length_and_basis": (
            "A length of 0 to 100000 m comes with its basis: guessed, drawing, marked or measured.",
            "length_m",
        ),
        "point_facts_tap_and_basis": (
            "A tap above 0 W comes with its basis: guessed, drawing, marked or measured.",
            "tap_power_w",
        ),
        "point_facts_counts_of_an_uncounted_group": (
            "An uncounted group has count_low ≤ count_likely ≤ count_high, each 0 or more; others have none.",
            "count_likely",
        ),
        "point_facts_dc_pairs_1_to_25": ("1 to 25 pairs are paralleled; blank: unknown.", "dc_pairs"),
        "point_facts_currents_not_negative": ("A current is 0 A or more, or blank.", "speech_current_a"),
        "landing_row_from_1": ("Rows are numbered from 1.", "row"),
        "landing_pair_1_to_25": ("A pair is 1 to 25.", "pair"),
        "landing_one_thing_on_its_side": (
            "Field side: a run's conductor. Equipment side: one of an output, a supply or an amplifier.",
            "side",
        ),
        "reading_value_not_negative": ("A reading is 0 or more.", "value"),
        "reading_subject_of_its_kind": (
            "A run current is of a run, an end voltage of a point of a run, a PoE power of a switch.",
            "kind",
        ),
        "reading_point_of_its_run": ("The point must be one of the reading's run.", "point"),
        "reading_supersedes_id_key": ("This reading is superseded already.", "reading"),
        "reading_is_only_added_to": ("A reading stays said; record one that supersedes it.", ""),
        "finding_one_open_a_subject_and_limit": ("This finding is open already.", ""),
        "finding_cleared_has_time": ("A finding is cleared at a time, and only then has one.", "state"),
        "finding_deferred_until_a_day": ("A finding is deferred until a day.", "deferred_until"),
        "case_key_key": ("This case is there already.", ""),
        "due_date_once": ("This is due at that time already.", ""),
    }
)
