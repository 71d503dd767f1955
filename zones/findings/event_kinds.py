"""The kinds of events, as a feed and a subscription name them."""

from __future__ import annotations

from enum import StrEnum


class EventKind(StrEnum):
    CASE_OPENED = "case.opened"
    CASE_CHANGED = "case.changed"
    CASE_ACKNOWLEDGED = "case.acknowledged"
    CASE_CLEARED = "case.cleared"
    SITE_TAKEN_OVER = "site.taken_over"
    CHANGE_SET_ACCEPTED = "change_set.accepted"
    CHANGE_SET_WITHDRAWN = "change_set.withdrawn"
    CATALOGUE_CORRECTED = "catalogue.corrected"
    TEST_OUTSIDE = "test.outside"
