"""What each test of the sites should have read, stored for the answers that list tests."""

from __future__ import annotations

import numpy as np

from zones.electrical.bands import FloatArray
from zones.electrical.calibration import Anchoring
from zones.electrical.evaluate import SOLVER_VERSION
from zones.electrical.plant import Plant
from zones.recheck.stored_results import cursor_taking_arrays

DIGITS = 11
"""Stored so rounded: how a batch is put together moves the last bits of a sum."""

_WRITE = """
    WITH found AS (
        SELECT test_id, site_id, nullif(low, 'NaN') AS low, nullif(likely, 'NaN') AS likely,
            nullif(high, 'NaN') AS high, error, nullif(outside, 'NaN') AS outside
        FROM unnest(%(test)s::bigint[], %(site)s::bigint[], %(low)s::float8[], %(likely)s::float8[],
            %(high)s::float8[], %(error)s::float8[], %(outside)s::float8[])
            AS f (test_id, site_id, low, likely, high, error, outside)
    ), gone AS (
        DELETE FROM test_expected t WHERE t.site_id = ANY(%(sites)s::bigint[])
            AND NOT EXISTS (SELECT FROM found WHERE found.test_id = t.test_id)
    )
    INSERT INTO test_expected AS t (test_id, site_id, low, likely, high, error, outside, solver_version)
    SELECT test_id, site_id, low, likely, high, error, outside, %(solver)s::int FROM found
    ON CONFLICT (test_id) DO UPDATE SET
        low = excluded.low, likely = excluded.likely, high = excluded.high, error = excluded.error,
        outside = excluded.outside, solver_version = excluded.solver_version
    WHERE (t.low, t.likely, t.high, t.error, t.outside, t.solver_version) IS DISTINCT FROM
        (excluded.low, excluded.likely, excluded.high, excluded.error, excluded.outside,
         excluded.solver_version)
    -- a row that was there before has been updated, and so has an xmax
    RETURNING test_id, t.xmax = 0 AND outside > 0
"""


def write_expected(plant: Plant, anchoring: Anchoring) -> tuple[int, ...]:
    """Make what is stored of the tests of the plant's sites that of ``anchoring``. One statement. Returns the
    ids of those that were not stored before and lie outside."""
    readings = anchoring.readings
    low, likely, high = rounded(anchoring.expected)
    with cursor_taking_arrays() as cursor:
        cursor.execute(
            _WRITE,
            {
                "test": readings.reading_id,
                "site": plant.site_id[plant.group_site[readings.group]],
                "low": low,
                "likely": likely,
                "high": high,
                "error": rounded(anchoring.error),
                "outside": rounded(anchoring.excess),
                "sites": plant.site_id,
                "solver": SOLVER_VERSION,
            },
        )
        return tuple(test_id for test_id, is_news in cursor.fetchall() if is_news)


def rounded(values: FloatArray) -> FloatArray:
    """``values`` (any shape) to `DIGITS` significant digits; NaN stays.

    >>> rounded(np.array([0.1 + 0.2, np.nan, 0.0])).tolist()
    [0.3, nan, 0.0]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        places = 10.0 ** (DIGITS - 1 - np.floor(np.log10(np.abs(values))))
        return np.where((values == 0) | ~np.isfinite(places), values, np.round(values * places) / places)
