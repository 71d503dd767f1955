"""By what a finding cleared: the change sets recorded since the recheck before, a new formula, or time alone;
and the figure after.

Stored as codes, ids and values; ``closing`` renders them on read.
"""

from __future__ import annotations

from collections import defaultdict
from enum import StrEnum
from functools import cached_property
from typing import Any

import numpy as np

from sites.models.changes import Mark
from zones.electrical.estimates import Estimate
from zones.models import Finding
from zones.recheck.checked import Checked

from .named_changes import Record, rounded


class ClearedBy(StrEnum):
    CHANGE = "change"
    RECOMPUTED = "recomputed"
    TIME = "time"


class Clearings:
    """What cleared the findings of a recheck. Nothing is read before the first one clears: then one query."""

    def __init__(self, checked: Checked, recomputed: set[int]) -> None:
        self._checked, self._recomputed = checked, recomputed

    def of(self, finding: Finding) -> dict[str, Any]:
        change_sets = sorted(self._change_sets[finding.site_id])
        cause = ClearedBy.RECOMPUTED if finding.site_id in self._recomputed else ClearedBy.TIME
        row = self._rows.get((finding.subject_kind, finding.subject_id, finding.code))
        after = None
        if row is not None:
            (estimates,) = self._checked.evaluation.estimates(np.array([row]))
            one = estimates.likely
            after = {"figure": rounded(one.value), "limit": rounded(one.limit)}
        return {
            "cause": str(ClearedBy.CHANGE if change_sets else cause),
            "change_sets": change_sets,
            "after": after,
        }

    @cached_property
    def _change_sets(self) -> dict[int, set[int]]:
        """By site, the change sets of the marks that this recheck read."""
        found: dict[int, set[int]] = defaultdict(set)
        marks = Mark.objects.filter(site_id__in=self._checked.site_id, change_set__isnull=False)
        for site_id, change_set_id in marks.values_list("site_id", "change_set_id").distinct():
            found[site_id].add(change_set_id)
        return found

    @cached_property
    def _rows(self) -> dict[tuple[int, int, str], int]:
        of = self._checked.evaluation
        codes = [rule.code for rule in of.rules]
        keys = zip(of.subject_kind.tolist(), of.subject_id.tolist(), of.rule.tolist(), strict=True)
        return {(kind, subject, codes[rule]): row for row, (kind, subject, rule) in enumerate(keys)}


def figure_after(record: Record) -> Estimate | None:
    """The figure after, of a stored clearing; None: there is none any more."""
    after = record["after"]
    return None if after is None else Estimate(after["figure"], after["limit"])
