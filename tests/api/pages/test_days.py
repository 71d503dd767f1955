"""Days on pages: written out within sentences, untouched in fields and in what people typed."""

from __future__ import annotations

import datetime as dt

import pytest

from api.pages.days import in_sentence, with_days_written, written


def test_a_day_is_written_out() -> None:
    assert written(dt.date(2025, 3, 4)) == "4 Mar 2025"


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("added on 2025-03-14 by T. Wilk, job W25-0311", "added on 14 Mar 2025 by T. Wilk, job W25-0311"),
        ("Respond by 2026-11-30 14:13 (UTC).", "Respond by 30 Nov 2026 14:13 (UTC)."),
        ("Between 2019-01-01 and 2020-12-31", "Between 1 Jan 2019 and 31 Dec 2020"),
        ("job 2025-13-14, serial 12025-03-14", "job 2025-13-14, serial 12025-03-14"),
    ],
)
def test_days_within_a_sentence_are_written_out(said: str, shown: str) -> None:
    assert in_sentence(said) == shown


def test_only_what_the_service_says_is_rewritten() -> None:
    answer = {
        "day": "2025-03-14",
        "note": "see the file of 2025-03-14",
        "sentence": "Due on 2025-03-14.",
        "items": [{"summary": "Surveyed on 2025-03-14."}],
        "unknown": ["Not tested since 2025-03-14."],
    }
    assert with_days_written(answer) == {
        "day": "2025-03-14",
        "note": "see the file of 2025-03-14",
        "sentence": "Due on 14 Mar 2025.",
        "items": [{"summary": "Surveyed on 14 Mar 2025."}],
        "unknown": ["Not tested since 14 Mar 2025."],
    }
