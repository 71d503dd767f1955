"""The next due test of each run, stored, so that nobody polls for it."""

from __future__ import annotations

import datetime as dt
from typing import Final

import numpy as np

from zones.electrical.proofs import Since, due_tests
from zones.recheck.checked import Checked, Due
from zones.recheck.stored_results import cursor_taking_arrays

FALLS_DUE: Final = "test falls due"

_WRITE: Final = """
    WITH found AS (
        SELECT run_id, site_id, contract_id, DATE '0001-01-01' + (due - 1)::int AS due_on,
            DATE '0001-01-01' + (nullif(proven, 0) - 1)::int AS proven_on, surveyed = 1 AS surveyed
        FROM unnest(%(run)s::bigint[], %(site)s::bigint[], %(contract)s::bigint[], %(due)s::bigint[],
            %(proven)s::bigint[], %(surveyed)s::bigint[])
            AS f (run_id, site_id, contract_id, due, proven, surveyed)
    ), gone AS (
        DELETE FROM due_test t WHERE t.site_id = ANY(%(sites)s::bigint[])
            AND NOT EXISTS (SELECT FROM found WHERE found.run_id = t.run_id)
        RETURNING site_id
    )
    INSERT INTO due_test AS t (run_id, site_id, contract_id, due_on, proven_on, surveyed, changed_at)
    SELECT run_id, site_id, contract_id, due_on, proven_on, surveyed, %(now)s::timestamptz FROM found
    ON CONFLICT (run_id) DO UPDATE SET
        site_id = excluded.site_id, contract_id = excluded.contract_id, due_on = excluded.due_on,
        proven_on = excluded.proven_on, surveyed = excluded.surveyed, changed_at = excluded.changed_at
    WHERE (t.site_id, t.contract_id, t.due_on, t.proven_on, t.surveyed) IS DISTINCT FROM
        (excluded.site_id, excluded.contract_id, excluded.due_on, excluded.proven_on, excluded.surveyed)
        -- an entry of a calendar that loses a run has changed, and the rows that stay in it say when
        OR EXISTS (SELECT FROM gone WHERE gone.site_id = excluded.site_id)
"""


def write_due_tests(checked: Checked) -> list[Due]:
    """Make the stored due tests of the sites those of today. One statement. Returns the days on which a site
    is to be rechecked because a test of it was not made in time."""
    plant = checked.plant
    found = due_tests(plant, checked.members)
    site_id = plant.site_id[checked.members.site[found.member]]
    with cursor_taking_arrays() as cursor:
        cursor.execute(
            _WRITE,
            {
                "run": plant.run_id[plant.runs.run_index[found.row]],
                "site": site_id,
                "contract": found.contract,
                "due": found.due_on,
                "proven": found.proven_on,
                "surveyed": (found.since == Since.SURVEY).astype(np.int64),
                "sites": plant.site_id,
                "now": checked.now,
            },
        )
    days = sorted(set(zip(site_id.tolist(), found.due_on.tolist(), strict=True)))
    return [Due(site, dt.date.fromordinal(day + 1), FALLS_DUE) for site, day in days]
