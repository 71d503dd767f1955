"""What a history has made so far, and how it chooses: of devices, cables, lengths and what is known of
them."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field
from typing import Any, TypeVar

from sites.models import Amplifier, Block, Closet, Endpoint, Output, Supply, Switch, SwitchPort
from zones.models import Landing, PagingSet, Point, Run, Test, Zone

from .catalogue import Catalogue

T = TypeVar("T")
Body = dict[str, Any]
_KEPT = {
    Amplifier: "amplifiers", Block: "blocks", Closet: "closets", Endpoint: "endpoints", Landing: "landings",
    PagingSet: "paging_sets", Test: "readings", Supply: "supplies", Switch: "switches", Zone: "zones",
}  # fmt: skip


@dataclass
class Things:
    """Ids of what stands on a site, some of it ended since: an operation on that is refused."""

    rng: random.Random
    catalogue: Catalogue
    site_id: int = 0
    closets: list[int] = field(default_factory=list)
    blocks: list[int] = field(default_factory=list)
    zones: list[int] = field(default_factory=list)
    supplies: list[int] = field(default_factory=list)
    amplifiers: list[int] = field(default_factory=list)
    switches: list[int] = field(default_factory=list)
    ports: list[int] = field(default_factory=list)
    endpoints: list[int] = field(default_factory=list)
    outputs: list[int] = field(default_factory=list)
    landings: list[int] = field(default_factory=list)
    paging_sets: list[int] = field(default_factory=list)
    readings: list[int] = field(default_factory=list)
    run_kind: dict[int, str] = field(default_factory=dict)
    points: dict[int, list[int]] = field(default_factory=dict)
    removed: list[int] = field(default_factory=list)
    labels: dict[str, int] = field(default_factory=dict)
    numbers: int = 0

    # --- keeping ------------------------------------------------------------------------------------------

    def known(self, value: Any) -> Any:
        """A value with the labels of earlier change sets replaced by the ids they stood for."""
        if isinstance(value, list):
            return [self.known(each) for each in value]
        if isinstance(value, str) and value.startswith("@"):
            return self.labels.get(value.removeprefix("@"), value)
        return value

    def note(self, bodies: list[Body], results: list[Any]) -> None:
        """Keep what the operations of a change set made."""
        for body, result in zip(bodies, results, strict=True):
            self.keep(result)
            if body["op"] == "point.remove":
                self.removed.append(result.pk)
            label = body.get("label")
            if label is None:
                continue
            self.labels[label] = result.pk
            if isinstance(result, Endpoint):
                for output in Output.objects.filter(endpoint=result):
                    self.labels[f"{label}/output/{output.number}"] = output.pk

    def keep(self, result: Any) -> None:
        """Note what an operation made."""
        if isinstance(result, list):
            for each in result:
                self.keep(each)
        elif isinstance(result, Run):
            self.run_kind[result.pk] = result.kind
            self.points.setdefault(result.pk, [])
        elif isinstance(result, Point):
            _add(self.points.setdefault(result.run_id, []), result.pk)
        elif type(result) in _KEPT:
            _add(getattr(self, _KEPT[type(result)]), result.pk)
        if isinstance(result, Endpoint):
            _add(self.outputs, *Output.objects.filter(endpoint=result).values_list("pk", flat=True))
        if isinstance(result, Switch):
            _add(self.ports, *SwitchPort.objects.filter(switch=result).values_list("pk", flat=True))

    def name(self, stem: str) -> str:
        self.numbers += 1
        return f"{stem} {self.numbers}"

    # --- choosing -----------------------------------------------------------------------------------------

    def one(self, choices: list[T]) -> T:
        return self.rng.choice(choices)

    def some(self, choices: list[T], most: int) -> list[T]:
        return self.rng.sample(choices, self.rng.randint(1, min(most, len(choices)))) if choices else []

    def chance(self, probability: float) -> bool:
        return self.rng.random() < probability

    def run(self, *kinds: str) -> int:
        """A run of one of these kinds, any kind if none is named."""
        return self.one([run for run, kind in self.run_kind.items() if not kinds or kind in kinds])

    def run_with_points(self, *kinds: str) -> int:
        return self.one(
            [r for r, kind in self.run_kind.items() if self.points[r] and (not kinds or kind in kinds)]
        )

    def point(self, *kinds: str) -> int:
        return self.one(self.points[self.run_with_points(*kinds)])

    def model(self, *kinds: str) -> int:
        return self.one(self.catalogue.models[self.one(list(kinds))])

    # --- what a run carries -------------------------------------------------------------------------------

    def length(self, *, home: bool = False, line: bool = False) -> Body:
        """A segment as long as such segments are, as well known as such things are."""
        if self.chance(0.15):
            return {}
        metres = self.rng.uniform(15, 70) if home else self.rng.uniform(3, 12)
        metres *= 3 if line else 1
        return {
            "length_m": round(metres, self.rng.choice([0, 1, 3])),
            "length_basis": self.one(["guessed", "drawing", "drawing", "marked", "measured"]),
        }

    def segment(self, run_kind: str, *, home: bool = False) -> Body:
        line = run_kind != "self_amplified"
        cables = self.catalogue.line_cables if line and self.chance(0.7) else self.catalogue.cables
        body: Body = self.length(home=home, line=line)
        if self.chance(0.9):
            body["cable_type_id"] = self.one(cables)
        if self.chance(0.7):
            body["dc_pairs"] = self.one([1, 1, 2, 2, 3])
        return body

    def load(self, run_kind: str, *, minded: str | None = None, well: bool | None = None) -> Body:
        """A device, or an uncounted group. minded: the kind of speaker of this run, as a rule. well: the
        record of it is good."""
        well = self.chance(0.6) if well is None else well
        kind = (
            minded if minded and self.chance(0.85) else self.one(["ceiling_speaker", "wall_speaker", "horn"])
        )
        bases = ["measured", "marked", "marked"] if well else ["marked", "drawing", "guessed", "unknown"]
        body: Body = {"current_basis": self.one(bases)}
        if well:
            body["model_id"] = self.one(self.catalogue.models[kind][:2])
        elif self.chance(0.8):
            body["model_id"] = self.model(kind)
        else:
            body["device_kind"] = self.one([kind, "unknown"])
        if not well and self.chance(0.15):
            body["speech_current_a"] = round(self.rng.uniform(0.01, 0.09), 4)
        if not well and self.chance(0.15):
            body["idle_current_a"] = round(self.rng.uniform(0.004, 0.05), 4)
        if run_kind == "constant_voltage" and (well or self.chance(0.7)):
            body |= self.tap(kind)
        if self.chance(0.07):
            low = self.rng.randint(0, 4)
            body |= {
                "kind": "uncounted_group",
                "count_low": low,
                "count_likely": low + self.rng.randint(0, 3),
            }
            body["count_high"] = body["count_likely"] + self.rng.randint(0, 4)
        return body

    def tap(self, kind: str) -> Body:
        watts = self.one([7.5, 15.0, 30.0] if kind == "horn" else [0.5, 1.0, 2.0, 5.0])
        return {"tap_power_w": watts, "tap_basis": self.one(["guessed", "drawing", "marked", "measured"])}

    def chain(self, run: int | str, run_kind: str, after: int | str | None, count: int) -> list[Body]:
        """Devices one behind the other, some on a branch."""
        minded = self.one(["ceiling_speaker", "ceiling_speaker", "wall_speaker", "horn"])
        well = self.chance(0.6)
        cable = self.segment(run_kind).get("cable_type")
        before: list[int | str | None] = [after]
        bodies = []
        for _ in range(count):
            at = before[-1] if self.chance(0.85) else self.one(before)
            label = self.name("p")
            body = {"op": "point.append", "run_id": run, "label": label}
            body |= self.segment(run_kind, home=at is None)
            is_bare = self.chance(0.04)
            body |= {"kind": "splice"} if is_bare else self.load(run_kind, minded=minded, well=well)
            if cable is not None and self.chance(0.8):
                body["cable_type_id"] = cable
            if at is not None:
                body["after_id"] = at
            bodies.append(body)
            before.append(f"@{label}")
        return bodies


@dataclass
class Tally:
    """What became of the change sets of a history. refused: by the code of the refusal."""

    accepted: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    operations: Counter[str] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        self.accepted += other.accepted
        self.refused += other.refused
        self.operations += other.operations


def _add(ids: list[int], *new: int) -> None:
    ids += [pk for pk in new if pk not in ids]
