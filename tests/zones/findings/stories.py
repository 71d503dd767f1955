"""Stories of a toy plant: dated change sets, and what was added, removed or corrected at each."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Collection, Sequence
from typing import Any

import numpy as np

from sites.changes.steps import first_step_after, step_of
from tests.zones.electrical.plants import ToyPlant
from zones.electrical import plant as p
from zones.electrical.bands import Basis, DeviceKind, IntArray
from zones.electrical.evaluate import Evaluation, evaluate
from zones.electrical.plant import Members
from zones.electrical.verdicts import Rule
from zones.findings.attribution import HistoryEntry, attribute, history
from zones.findings.baselines import Baseline, baselines
from zones.findings.changes_at_step import Reference
from zones.findings.corrections import NONE, Crossings
from zones.findings.named_changes import Attribution
from zones.findings.timeline import Targets
from zones.findings.wording import as_shown, sentence
from zones.limits.registry import limit_by_code
from zones.plant.change_sets import ChangeSetInfo, ChangeSets

SITE = 7
SUPPLY_CURRENT = Rule("supply_current")
NAMES: dict[tuple[str, int], str] = {
    Reference("supply", 1000): "supply S1",
    Reference("supply", 1001): "supply S2",
    Reference("run", 1000): "run R1",
    Reference("run", 1001): "run R2",
    Reference("amplifier", 1000): "amplifier A1",
    Reference("output", 1000): "output 1 of gateway G1",
    Reference("model", 0): "WS-8",
    Reference("model", 1): "HN-15",
}


class Story(ToyPlant):
    """A toy plant whose steps are days. ``on(day)`` accepts a change set; what is then done carries its
    step."""

    def __init__(self) -> None:
        super().__init__()
        self.infos: list[ChangeSetInfo] = []
        self.step = 0
        self.author = 0
        self.surveyed_on: dt.date | None = None
        self.commissioned_on: dt.date | None = None
        self.crossed_by: int | None = None
        """The correction without which nothing would be past."""

    def on(
        self,
        day: str,
        actor: str = "R. Ondine",
        job: str = "LS-2207",
        *,
        done_by: str = "",
        kind: str = "work",
        quiet: bool = False,
    ) -> int:
        """A change set of a day, after the others of that day. Returns its id."""
        happened_on = dt.date.fromisoformat(day)
        order = 1 + sum(info.happened_on == happened_on for info in self.infos)
        self.step, self.author = step_of(happened_on, order), 100 + len(self.infos)
        recorded_at = dt.datetime(2026, 1, 1, tzinfo=dt.UTC) + dt.timedelta(minutes=len(self.infos))
        self.infos.append(
            ChangeSetInfo(self.author, SITE, self.step, kind, "record", "rest", quiet, actor, done_by,
                          "as ordered", job, happened_on, recorded_at)
        )  # fmt: skip
        return self.author

    def put(self, table: str, **facts: Any) -> int:
        return self.add(table, step=self.step, by=self.author, **facts)

    def alter(self, table: str, index: int, **facts: Any) -> None:
        self.change(table, index, step=self.step, by=self.author, **facts)

    def remove(self, *points: int) -> None:
        """Take devices off: each leaves a splice."""
        for point in points:
            self.alter(
                "points", point, kind=p.PointKind.SPLICE, model_index=-1,
                count_low=0.0, count_likely=0.0, count_high=0.0,
            )  # fmt: skip

    def rewrite(self, table: str, index: int, *, row: int = -1, **facts: Any) -> None:
        """Correct a row where it stands: its steps stay, its writer is the correction."""
        own = {"points": "point_index", "supplies": "supply_index"}[table]
        rows = [r for r in self.rows[table] if r[own] == index]
        rows[row].update(facts, changed_by=self.author)

    def supply(self, rated_current_a: float = 2.0) -> int:
        return self.put("supplies", rated_current_a=rated_current_a)

    def fed_run(self, supply: int, **facts: Any) -> int:
        self.run_kinds.append(p.RunKind.SELF_AMPLIFIED)
        self.block_kinds.append(p.BlockKind.SPLIT_66)
        return self.put("runs", supply_index=supply, **facts)

    def speakers(
        self, run: int, count: int, current_a: float, *, basis: Basis = Basis.MEASURED, model: int = -1
    ) -> list[int]:
        """Wall speakers, all on segments of 1 m from the block, each drawing a current."""
        return [
            self.put(
                "points", run_index=run, device_kind=DeviceKind.WALL_SPEAKER, model_index=model, length_m=1.0,
                length_basis=int(Basis.MEASURED), current_basis=int(basis), speech_current_a=current_a,
                idle_current_a=0.0,
            )
            for _ in range(count)
        ]  # fmt: skip

    # --- asking -------------------------------------------------------------------------------------------

    def lookup(self, places: Collection[tuple[int, int]], ids: Collection[int]) -> ChangeSets:
        return ChangeSets(
            {(SITE, i.step): i for i in self.infos if (SITE, i.step) in places and i.step},
            {i.id: i for i in self.infos if i.id in ids},
        )

    def as_of(self, day: str | None) -> int:
        last = max(i.happened_on for i in self.infos)
        return first_step_after(dt.date.fromisoformat(day) if day else last) - 1

    def baselines(self, plant: p.Plant, day: str | None = None) -> list[Baseline]:
        return baselines(plant, [self.surveyed_on], [self.commissioned_on], [self.as_of(day)])

    def find_crossings(
        self, _plant: p.Plant, _t: Targets, _rules: Sequence[Rule], step: IntArray
    ) -> Crossings:
        return Crossings(np.where(step >= 0, self.crossed_by or NONE, NONE), {})

    def targets(
        self, rules: Sequence[Rule], day: str | None = None, *, all_rows: bool = False
    ) -> tuple[p.Plant, Targets, Evaluation]:
        plant = self.build()
        now = evaluate(plant, Members.of_sites(plant, self.as_of(day)), rules)
        every = Targets.of_rows(now)
        return plant, every if all_rows else every.only(np.flatnonzero(every.now_past.any(axis=0))), now

    def attributions(
        self, rules: Sequence[Rule] = (SUPPLY_CURRENT,), day: str | None = None
    ) -> dict[tuple[str, int], Attribution | None]:
        plant, targets, _ = self.targets(rules, day)
        found = attribute(
            plant,
            targets,
            rules,
            asked_step=[self.as_of(day)],
            baselines=self.baselines(plant, day),
            lookup=self.lookup,
            find_crossings=self.find_crossings,
        )
        return {
            (code, int(subject)): one
            for code, subject, one in zip(targets.code, targets.subject_id, found, strict=True)
        }

    def only(self, rules: Sequence[Rule] = (SUPPLY_CURRENT,), day: str | None = None) -> Attribution:
        (one,) = self.attributions(rules, day).values()
        assert one is not None
        return one

    def history(
        self, rules: Sequence[Rule] = (SUPPLY_CURRENT,), day: str | None = None
    ) -> list[HistoryEntry]:
        plant, targets, _ = self.targets(rules, day, all_rows=True)
        (entries,) = history(
            plant,
            targets,
            rules,
            asked_step=[self.as_of(day)],
            baselines=self.baselines(plant, day),
            lookup=self.lookup,
        )
        return entries


def said(attribution: Attribution, subject: str = "supply S2", rule: Rule = SUPPLY_CURRENT) -> str:
    return sentence(attribution, limit_by_code(rule.code), subject, NAMES)


def shown(
    story: Story, attribution: Attribution, subject: str = "supply S2", rule: Rule = SUPPLY_CURRENT
) -> dict[str, Any]:
    """The attribution as the API shows it, after it was stored as JSON and read again."""
    record = json.loads(json.dumps(attribution.as_record()))
    read = Attribution.of_record(record, {info.id: info for info in story.infos})
    return as_shown(record, read, limit_by_code(rule.code), subject, NAMES)
