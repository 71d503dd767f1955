"""Which correction of the record made a crossing.

For each estimate that is past: undo all corrections that wrote what its group consists of, and reapply them
in the order of their recording. The last one that turned the figure at the named step from not past to past
made the crossing. All of these versions are members of one batch, and only sites with something past have
any.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from zones.electrical.bands import IntArray
from zones.electrical.evaluate import evaluate, subject_ids
from zones.electrical.plant import BoolArray, Members, Plant, place_of
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.models import PointFacts
from zones.plant.corrections import Correction, corrections_of, undone
from zones.plant.versions import CATALOGUE, STRIDE, Version, read_versions

from .changes_at_step import THINGS, Reference
from .timeline import CANNOT_COMPUTE, Targets, excess_of, past_of, problem_subject, values_of

NONE: Final = -1


@dataclass(frozen=True)
class Corrected:
    """What a correction was about. what: a key of the wording. model, field, before, after: of the catalogue,
    the rating that was edited."""

    what: str
    model: Reference | None = None
    field: str = ""
    before: float | None = None
    after: float | None = None

    def as_record(self) -> dict[str, Any]:
        if self.model is None:
            return {"what": self.what}
        return {
            "what": self.what,
            "model": list(self.model),
            "field": self.field,
            "before": self.before,
            "after": self.after,
        }

    @classmethod
    def of_record(cls, record: Mapping[str, Any] | None) -> Corrected | None:
        if record is None:
            return None
        model = record.get("model")
        return cls(**{**record, "model": None if model is None else Reference(*model)})


@dataclass(frozen=True, eq=False)
class Crossings:
    """made: (3, t) the change set of the correction that made the low, likely and high estimate of each
    target past; −1: none did. said: what each correction of these sites was about, by its change set."""

    made: IntArray
    said: Mapping[int, Corrected] = field(default_factory=dict)


FindCrossings = Callable[[Plant, Targets, Sequence[Rule], IntArray], Crossings]
"""Function of targets and the (3, t) steps at which their estimates are past (−1: not past); returns what
corrections did."""


def crossings(plant: Plant, targets: Targets, rules: Sequence[Rule], step: IntArray) -> Crossings:
    """Corrections as recorded. One query where nothing was corrected."""
    made = np.full(step.shape, NONE, np.int64)
    asked = np.flatnonzero((step >= 0).any(axis=0))
    site_of = plant.site_id[plant.group_site[targets.group]]
    corrections = corrections_of({int(site) for site in site_of[asked]}) if len(asked) else {}
    if not corrections:
        return Crossings(made)
    concerned = {id(one): _groups(plant, one) for of in corrections.values() for one in of}
    versions: list[Version] = []
    reapplied: dict[
        int, tuple[int, list[Correction]]
    ] = {}  # by site: its first version, and what makes the next
    for site_id, of in corrections.items():
        groups = set(targets.group[asked[site_of[asked] == site_id]].tolist())
        chosen = [one for one in of if concerned[id(one)] & groups]
        if chosen:
            reapplied[site_id] = len(versions), chosen
            versions += undone(chosen)
    said = {one.id: corrected(one) for of in corrections.values() for one in of}
    if not versions:
        return Crossings(made, said)
    past = _Past(read_versions(versions), rules, targets, step, site_of, reapplied)
    for k in asked[np.isin(site_of[asked], list(reapplied))].tolist():
        first, chosen = reapplied[int(site_of[k])]
        for band in np.flatnonzero(step[:, k] >= 0).tolist():
            # as recorded it is past
            beyond = [past.of(k, band, first + number) for number in range(len(chosen))] + [True]
            turned = [number for number in range(len(chosen)) if beyond[number + 1] and not beyond[number]]
            if turned:
                made[band, k] = chosen[turned[-1]].id
    return Crossings(made, said)


class _Past:
    """Whether estimates are past in the versions of a plant, at their steps: all members in one batch."""

    def __init__(
        self,
        plant: Plant,
        rules: Sequence[Rule],
        targets: Targets,
        step: IntArray,
        site_of: IntArray,
        reapplied: Mapping[int, tuple[int, Sequence[Correction]]],
    ) -> None:
        self._targets, self._step = targets, step
        members: dict[tuple[int, int], int] = {}
        for k in np.flatnonzero(np.isin(site_of, list(reapplied))).tolist():
            first, chosen = reapplied[int(site_of[k])]
            for at in set(step[:, k].tolist()) - {NONE}:
                for version in range(first, first + len(chosen)):
                    members.setdefault((version, at), len(members))
        of_site, at_step = np.array(list(members), np.int64).T
        codes = targets.code[np.isin(site_of, list(reapplied))]
        chosen_rules = [rule for rule in rules if rule.code in codes]
        found = evaluate(plant, Members(of_site, at_step, np.full(len(members), NONE)), chosen_rules)
        at_least = np.array([rule.at_least for rule in chosen_rules], np.bool_)[found.rule]
        values = values_of(found)
        beyond = past_of(values, at_least)
        self._members = members
        self._beyond: dict[tuple[int, str, int, int], BoolArray] = {}
        # of several for one subject (two endpoints on one port) the worst comes last
        for row in np.argsort(excess_of(values, at_least), kind="stable").tolist():
            key = (
                int(found.member[row]),
                chosen_rules[found.rule[row]].code,
                int(found.subject_kind[row]),
                int(found.subject_id[row]) % STRIDE,
            )
            self._beyond[key] = beyond[:, row]
        for problem in found.problems:
            of = (problem.member, CANNOT_COMPUTE, int(problem.subject_kind))
            self._beyond[*of, problem_subject(plant, problem) % STRIDE] = np.ones(3, np.bool_)

    def of(self, target: int, band: int, version: int) -> bool:
        targets = self._targets
        member = self._members[version, int(self._step[band, target])]
        code, kind = targets.code[target], int(targets.subject_kind[target])
        beyond = self._beyond.get((member, code, kind, int(targets.subject_id[target])))
        return beyond is not None and bool(beyond[band])


def _groups(plant: Plant, correction: Correction) -> set[int]:
    """The groups whose rows a correction wrote."""
    site = int(np.flatnonzero(plant.site_id == correction.site_id)[0])
    every = set(range(int(plant.site_groups[site]), int(plant.site_groups[site + 1])))
    found: set[int] = set()
    for kind, id_ in correction.things():
        if not kind:
            return every
        index = int(place_of(subject_ids(plant, SubjectKind[kind.upper()]), np.array([id_]))[0])
        for name, column in (*THINGS.items(), ("landings", "block_index"), ("clips", "block_index")):
            if column == f"{kind}_index" and name != "addresses":
                table = plant.tables[name]
                found |= set(table.group[getattr(table, column) == index].tolist())
    return found


# --- what it was about --------------------------------------------------------------------------------------

_ABOUT: Final = {
    "lengths": {"length_m", "length_basis", "cable_length_m", "cable_length_basis"},
    "currents": {*PointFacts.CURRENTS, "current_basis"},
    "counts": {*PointFacts.COUNTS},
    "signals": {"signal"},
}
_MEASURED: Final = 4


def corrected(correction: Correction) -> Corrected:
    """What a correction was about, as far as its rows agree."""
    changed: set[str] = set()
    texts: Corrected | None = None
    measured = dict.fromkeys(_ABOUT, True)
    for rewrite in correction.rewrites:
        if rewrite.operation != "update":
            return Corrected("record")
        for was, now, columns in rewrite.changed():
            if rewrite.table in CATALOGUE:
                kind = "model" if rewrite.table == "device_model" else "cable"
                rating = next((name for name in sorted(columns) if _is_rating(was, now, name)), "")
                model = Reference(kind, int(now["id"]))
                said = Corrected("catalogue", model, rating, was.get(rating), now.get(rating))
                if rating:
                    return said
                texts = texts or said
            changed |= columns
            for about, of in _ABOUT.items():
                measured[about] &= any(now.get(name) == _MEASURED for name in of if name.endswith("_basis"))
    if texts is not None:
        return texts
    about = next((about for about, columns in _ABOUT.items() if changed and changed <= columns), "record")
    return Corrected(f"{about}_measured" if measured.get(about) else about)


def _is_rating(was: Mapping[str, Any], now: Mapping[str, Any], name: str) -> bool:
    values = [was.get(name), now.get(name)]
    return all(value is None or isinstance(value, (int, float)) for value in values)


def of_nothing(_plant: Plant, _targets: Targets, _rules: Sequence[Rule], step: IntArray) -> Crossings:
    """Where no record stands behind a plant, nothing was corrected."""
    return Crossings(np.full(step.shape, NONE, np.int64))
