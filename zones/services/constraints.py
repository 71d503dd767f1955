"""The named rules of what zones carry, in words."""

from __future__ import annotations

from sites.changes.constraints import add_rules
from zones.models.findings import LONGEST_STATE_REASON
from zones.models.recheck import MOST_LIMITS

add_rules(
    {
        "finding_state_reason_limited": (
            f"A reason has at most {LONGEST_STATE_REASON} characters.",
            "state_reason",
        ),
        "finding_reasons_limited": "A finding keeps a few short reasons of why it cannot be computed.",
        "site_check_last_error_limited": "What went wrong with a site is kept in short.",
        "catalogue_news_once_a_case": "An edit of the catalogue is noted once with each case.",
        "figures_limited": f"A subject has at most {MOST_LIMITS} limits.",
        "run_facts_fed_by_what_fits_its_kind": (
            "A supply feeds self-amplified runs, an amplifier the others.",
            "supply_id",
        ),
        "point_facts_fed_by_what_fits_its_run": (
            "A supply feeds self-amplified runs only.",
            "feed_supply_id",
        ),
        "point_facts_device_of_its_model": ("A device is of the kind that its model is.", "device_kind"),
        "point_facts_splice_is_bare": ("A splice carries no load.", "kind"),
        "landing_row_of_its_block": ("The block has no such row.", "row"),
        "clip_facts_row_of_its_block": ("The block has no such row.", "row"),
        "clip_facts_block_can_isolate": (
            "Nothing on this kind of block can be pulled or lifted.",
            "block_id",
        ),
        "reading_tone_while_paging": (
            "An idle test is taken without a tone: say paging, or leave the signal out.",
            "signal",
        ),
        "reading_has_come": ("A test is not of a time to come.", "taken_at"),
        "reading_taken_by_then": ("A test is not of a day after the change that records it.", "taken_on"),
        "zone_endpoint_once": ("This device is heard in this zone already.", "endpoint_id"),
        "paging_set_zone_once": ("This zone is in this paging set already.", "zone_ids"),
        "paging_set_has_zones": ("A paging set needs at least one zone.", "zone_ids"),
        "paging_set_zone_is_only_added_to": "A paging set keeps its zones: end it and add another.",
        "run_facts_fuse_rating_of_a_fitted_fuse": (
            "Only a fitted fuse has a rating.",
            "fuse_rating_a",
        ),
        "point_of_site_and_run": "There is a point with this id.",
        "point_of_site_run_and_rank": "There is a point with this id.",
        "point_rank_once_a_run": "Another point of this run has this place in its order.",
        "point_name_once_a_run": ("Another point of this run has this name.", "name"),
        "point_facts_point_of_its_run": ("The point must be one of the same run.", "point_id"),
        "point_facts_parent_of_its_run": (
            "The parent of a point must be a point of the same run.",
            "after_id",
        ),
        "point_facts_parent_comes_before": ("The parent of a point comes before it in its run.", "after_id"),
        "point_facts_length_and_basis": (
            "A length comes with its basis: guessed, drawing, marked or measured.",
            "length_m",
        ),
        "point_facts_length_share_and_place": (
            "A share of a segment says which part of it that is: first, middle, last or alone.",
            "length_share_place",
        ),
        "point_facts_tap_and_basis": (
            "A tap comes with its basis: guessed, drawing, marked or measured.",
            "tap_power_w",
        ),
        "point_facts_counts_of_an_uncounted_group": (
            "An uncounted group says count_low ≤ count_likely ≤ count_high, or none; nothing else has any.",
            "count_likely",
        ),
        "landing_one_thing_on_its_side": (
            "Field side: a run's conductor. Equipment side: one of an output, a supply or an amplifier.",
            "side",
        ),
        "reading_subject_of_its_kind": (
            "A test names what its kind is taken at: a run, a point of a run, a zone or a switch.",
            "kind",
        ),
        "reading_outcome_of_its_kind": (
            "A test has a value within the bounds of its kind; of a kind without a value, it passed or not.",
            "value",
        ),
        "reading_state_of_its_kind": ("A test is taken in a state of its kind, or on a dead wire.", "state"),
        "reading_electronics_disconnected": (
            "An insulation test, and no other, confirms that all electronics were disconnected.",
            "electronics_disconnected",
        ),
        "reading_due_after_calibration": (
            "A calibration is due on a later day than it was made.",
            "calibration_due_on",
        ),
        "reading_visit_of_its_day": ("A test belongs to a visit of its site, on its day.", "visit_id"),
        "reading_instrument_record_id_fk": ("There is no such instrument.", "instrument_record_id"),
        "visit_of_site_and_day": "There is a visit with this id.",
        "visit_once_a_day": (
            "This technician's visit to this closet on that day is recorded already.",
            "closet_id",
        ),
        "visit_made_by_then": ("A visit is not of a day after the change that records it.", "visited_on"),
        "reading_point_of_its_run": ("The point must be one of the test's run.", "point_id"),
        "reading_supersedes_id_key": ("This test is superseded already.", "test_id"),
        "reading_is_only_added_to": "A test stays said; record one that supersedes it.",
        "finding_one_open_a_subject_and_limit": "This finding is open already.",
        "finding_cleared_has_time": ("A finding is cleared at a time, and only then has one.", "state"),
        "finding_deferred_until_a_day": ("A finding is deferred until a day.", "deferred_until"),
        "case_key_key": "This case is there already.",
        "due_test_run_id_key": "The next test of this run is there already.",
        "due_date_once": "This is due at that time already.",
    }
)
