"""What an attribution is: the change that is named, with figures; and how it is stored.

A finding stores ids, codes and values, so that renaming a supply or a person does not change a finding.
``wording`` renders it on read.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

from zones.electrical.estimates import Estimate

from .baselines import Since
from .change_types import CHANGE_TYPES
from .changes_at_step import ChangeAtStep, Reference
from .corrections import Corrected

if TYPE_CHECKING:
    from zones.plant.change_sets import ChangeSetInfo

Record = Mapping[str, Any]
"""An attribution as it is stored: JSON."""


BY_TIME: Final = "test_overdue"
"""The limit that a day makes past, and no change."""


class Cause(StrEnum):
    """What kind of thing pushed a figure past its limit."""

    ADDITION = "addition"
    ALTERATION = "alteration"
    CORRECTION = "correction"
    AS_FOUND = "as_found"
    TIME = "time"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class NamedChange:
    """One end of a crossing.

    change_set: that of the step; None where the record has none (a reading's day). correction: the correction
    of the record that made the crossing, and ``corrected`` what it was about. note: the correction that last
    wrote what changed there without making the crossing, and ``noted`` what that was about.
    as_found: not after the baseline; then ``day`` is the baseline's. before, after: the figure, likely unless
    that is not known.
    """

    day: dt.date
    as_found: bool
    change_set: ChangeSetInfo | None
    correction: ChangeSetInfo | None
    changes: tuple[ChangeAtStep, ...]
    before: Estimate
    after: Estimate
    corrected: Corrected | None = None
    note: ChangeSetInfo | None = None
    noted: Corrected | None = None

    @property
    def cause(self) -> Cause:
        if self.as_found:
            return Cause.AS_FOUND
        if self.correction is not None:
            return Cause.CORRECTION
        if self.change_set is None and not self.changes:
            return Cause.UNKNOWN
        adds_load = any(CHANGE_TYPES[change.type].adds for change in self.changes)
        return Cause.ADDITION if adds_load else Cause.ALTERATION

    @property
    def causing(self) -> ChangeSetInfo | None:
        """The change set behind it: the correction where there is one."""
        return self.correction or self.change_set

    @property
    def is_revised(self) -> bool:
        """Whether it is work that a later correction rewrote, rather than a correction by itself."""
        return None not in (self.correction, self.change_set) and self.correction != self.change_set

    def as_record(self) -> dict[str, Any]:
        overloaded = [self.before.overloaded, self.after.overloaded]
        return {
            "kind": str(self.cause),
            "day": self.day.isoformat(),
            "change_set": None if self.change_set is None else self.change_set.id,
            "correction": None if self.correction is None else self.correction.id,
            "corrected": None if self.corrected is None else self.corrected.as_record(),
            "note": None if self.note is None else self.note.id,
            "noted": None if self.noted is None else self.noted.as_record(),
            "changes": [change.as_record() for change in self.changes],
            "before": rounded(self.before.value),
            "after": rounded(self.after.value),
            "limit_before": rounded(self.before.limit),
            "limit": rounded(self.after.limit),
            **({"overloaded": overloaded} if any(overloaded) else {}),
        }

    @classmethod
    def of_record(cls, record: Record, change_sets: Mapping[int, ChangeSetInfo]) -> NamedChange:
        overloaded = record.get("overloaded", (False, False))
        return cls(
            day=dt.date.fromisoformat(record["day"]),
            as_found=record["kind"] == Cause.AS_FOUND,
            change_set=change_sets.get(record["change_set"]),
            correction=change_sets.get(record["correction"]),
            # what release 0.2.0 did not store
            corrected=Corrected.of_record(record.get("corrected")),
            note=change_sets.get(record.get("note") or 0),
            noted=Corrected.of_record(record.get("noted")),
            changes=tuple(map(ChangeAtStep.of_record, record["changes"])),
            before=Estimate(record["before"], record["limit_before"], overloaded=overloaded[0]),
            after=Estimate(record["after"], record["limit"], overloaded=overloaded[1]),
        )


@dataclass(frozen=True)
class Attribution:
    """What pushed one subject past one limit.

    named: the change of the likely estimate (of the high one, where only that is past): it gives kind and
    case. since, until: None where one change is named; else the crossing is between them. possible: only the
    high estimate is past. found: what makes the baseline. in_service: False while the site is still being
    built: its baseline is a day to come.
    """

    named: NamedChange
    since: NamedChange | None
    until: NamedChange | None
    possible: bool
    baseline: Estimate
    baseline_day: dt.date
    found: Since
    in_service: bool = True

    @property
    def quiet(self) -> bool:
        """Known from a first import, and not from anything after it."""
        return self.named.causing is not None and self.named.causing.quiet

    @property
    def every_change(self) -> tuple[NamedChange, ...]:
        """The changes that are named, the one that gives the case first."""
        return tuple(change for change in (self.named, self.since, self.until) if change is not None)

    def references(self) -> Iterator[Reference]:
        """Everything that its sentence names."""
        for named in self.every_change:
            for change in named.changes:
                yield from change.references()
            for said in (named.corrected, named.noted):
                if said is not None and said.model is not None:
                    yield said.model

    def as_record(self) -> dict[str, Any]:
        """The attribution as JSON. change_sets: those that are named, each once, the causing one first."""
        infos = [
            info
            for named in self.every_change
            for info in (named.correction, named.change_set, named.note)
            if info
        ]
        between = None
        if self.since is not None and self.until is not None:
            between = {"since": self.since.as_record(), "until": self.until.as_record()}
        return {
            "kind": str(self.named.cause),
            "change_sets": list(dict.fromkeys(info.id for info in infos)),
            "day": self.named.day.isoformat(),
            "possible": self.possible,
            "baseline": self.baseline_record(),
            "change": self.named.as_record(),
            "between": between,
        }

    def baseline_record(self) -> dict[str, Any]:
        return {
            "day": self.baseline_day.isoformat(),
            "surveyed": self.found is Since.SURVEY,
            "since": str(self.found),
            "in_service": self.in_service,
            "figure": rounded(self.baseline.value),
            "limit": rounded(self.baseline.limit),
            **({"overloaded": True} if self.baseline.overloaded else {}),
        }

    @classmethod
    def of_record(cls, record: Record, change_sets: Mapping[int, ChangeSetInfo]) -> Attribution | None:
        """The attribution that was stored; None where no change is named."""
        if record.get("change") is None:
            return None
        between, baseline = record["between"] or {}, record["baseline"]

        def change(of: Record | None) -> NamedChange | None:
            return None if of is None else NamedChange.of_record(of, change_sets)

        return cls(
            named=NamedChange.of_record(record["change"], change_sets),
            since=change(between.get("since")),
            until=change(between.get("until")),
            possible=record["possible"],
            baseline=Estimate(
                baseline["figure"], baseline["limit"], overloaded=baseline.get("overloaded", False)
            ),
            baseline_day=dt.date.fromisoformat(baseline["day"]),
            # as release 0.2.0 stored it, of findings that were cleared before the first recheck since
            found=Since(baseline.get("since") or ("survey" if baseline["surveyed"] else "first_day")),
            in_service=baseline.get("in_service", True),
        )


def unattributed() -> dict[str, Any]:
    """The record where no change explains what is past."""
    return {"kind": str(Cause.UNKNOWN), "change_sets": [], "day": None}


def by_time(day: dt.date) -> dict[str, Any]:
    """The record where no change made it, but that a day passed."""
    return {"kind": str(Cause.TIME), "change_sets": [], "day": day.isoformat()}


def rounded(value: float | None) -> float | None:
    """The number rounded to nine digits, so that the last bits of a sum do not make a record look changed."""
    return None if value is None or math.isnan(value) else float(f"{value:.9g}")
