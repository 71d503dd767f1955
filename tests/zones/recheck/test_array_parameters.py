"""Arrays as parameters arrive as they were sent."""

from __future__ import annotations

import numpy as np
import pytest
from django.db import DatabaseError

from zones.recheck.stored_results import cursor_taking_arrays

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize(
    ("column", "sql_type"),
    [
        (np.array([3, -1, 2**62]), "bigint[]"),
        (np.array([], np.int64), "bigint[]"),
        (np.array([7], np.int8), "bigint[]"),
        (np.array([0.1, -1e300, np.inf]), "float8[]"),
        (np.array([], np.float64), "float8[]"),
        (np.arange(12.0)[::3], "float8[]"),
    ],
)
def test_a_column_arrives_as_it_is(column: np.ndarray, sql_type: str) -> None:
    with cursor_taking_arrays() as cursor:
        cursor.execute(f"SELECT %s::{sql_type}", [column])
        found = cursor.fetchone()
    assert found == (column.tolist(),)


def test_nan_stays_apart_from_a_number() -> None:
    with cursor_taking_arrays() as cursor:
        values = np.array([1.5, np.nan])
        cursor.execute("SELECT array_agg(nullif(v, 'NaN')) FROM unnest(%s::float8[]) AS v", [values])
        found = cursor.fetchone()
    assert found == ([1.5, None],)


def test_what_has_no_form_is_refused() -> None:
    with cursor_taking_arrays() as cursor, pytest.raises(TypeError, match="a column of bool"):
        cursor.execute("SELECT %s", [np.array([True])])


def test_it_works_in_djangos_transaction() -> None:
    with cursor_taking_arrays() as cursor:
        cursor.execute("CREATE TEMPORARY TABLE seen (v bigint) ON COMMIT DROP")
        cursor.execute("INSERT INTO seen SELECT unnest(%s::bigint[])", [np.array([4, 5])])
        cursor.execute("SELECT sum(v) FROM seen")
        assert cursor.fetchone() == (9,)


def test_errors_are_djangos() -> None:
    with cursor_taking_arrays() as cursor, pytest.raises(DatabaseError):
        cursor.execute("SELECT %s::bigint[] / 0", [np.array([4])])
