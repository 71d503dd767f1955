"""What to measure next on a site, in the order of a walk: closet by closet, block by block and row by row,
then the rooms."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from sites.models import Block, CableType, Closet
from sites.selectors import stood
from sites.wording import listed, lower_first, plural
from zones.electrical.next_readings import NextReading, Proposed, next_readings
from zones.electrical.plant import ReadingKind, State
from zones.electrical.reading_trials import Figure
from zones.electrical.self_amplified import DC_CODES
from zones.limits.registry import RULES
from zones.loads.site_loads import Loads, SiteLoads, SitePlant, site_plant
from zones.loads.wording import RenderedLoad
from zones.models import Landing, Run, Test
from zones.models.test_kinds import KINDS
from zones.selectors import colour_of, points_before

from .unknowns import SiteFacts

_DURING: Final = {
    State.IDLE: "idle",
    State.PAGING: "paging speech",
    State.TONE: "paging a steady tone at full level",
}
_SIGNAL: Final = {
    State.IDLE: None,
    State.PAGING: str(Test.Signal.SPEECH),
    State.TONE: str(Test.Signal.TONE),
}
_TEST_KIND: Final = {
    ReadingKind.RUN_CURRENT: Test.Kind.RUN_CURRENT,
    ReadingKind.END_VOLTAGE: Test.Kind.END_VOLTAGE,
}
_UNIT: Final = {
    reading: of.measured.unit for of in KINDS.values() if of.measured and (reading := of.reading) is not None
}


@dataclass(frozen=True)
class ToMeasure:
    """One reading to take. kind, state, signal: as the test of it has them; signal None: nothing is paged.
    rows: of the block, on which the positive DC conductors of the run lie on the field side; empty: not
    recorded. point_id, point, place: where a voltage is read; of a current None and blank. settles: what it
    settles together with the others of its list, if it reads as is likely; may_settle: what it helps to
    settle only where it reads otherwise. sentence: what to read; probes: where to put the probes."""

    kind: str
    state: str
    signal: str | None
    unit: str
    run_id: int
    run: str
    closet_id: int
    closet: str
    block_id: int
    block: str
    rows: tuple[int, ...]
    point_id: int | None
    point: str
    place: str
    settles: tuple[str, ...]
    may_settle: tuple[str, ...]
    sentence: str
    probes: str


@dataclass(frozen=True)
class Measuring:
    """to_measure: the short list, in walking order. best: by open verdict the one reading that narrows it
    most."""

    to_measure: tuple[ToMeasure, ...] = ()
    best: Mapping[Figure, ToMeasure] = field(default_factory=dict)


def what_to_measure(
    loads: Loads, open_ones: Sequence[RenderedLoad], facts: SiteFacts | None, before: int
) -> Measuring:
    """What to measure on a site for its open verdicts. loads: of that site on a day, and before: the first
    step after it. facts: of the site, of what is open. Two queries beside those that read the plant, where
    that is not read already; none where no reading bears on what is open."""
    if facts is None or not any(one.load.code in DC_CODES for one in open_ones):
        return Measuring()
    read: SitePlant | SiteLoads = (
        loads if isinstance(loads, SiteLoads) else site_plant(loads.site_id, loads.as_of)
    )
    found = next_readings(read.plant, read.anchoring, before - 1, RULES)
    if not found.best and not found.readings:
        return Measuring()
    words = _Words(loads.site_id, found, open_ones, facts, before)
    return Measuring(
        tuple(words.of(one) for one in sorted(found.readings, key=words.on_the_way)),
        {figure: words.of(one) for figure, one in found.best.items()},
    )


class _Words:
    """What people call the runs, points and rows of some readings."""

    def __init__(
        self,
        site_id: int,
        found: Proposed,
        open_ones: Sequence[RenderedLoad],
        facts: SiteFacts,
        before: int,
    ) -> None:
        run_ids = {one.run_id for one in (*found.readings, *found.best.values())}
        self.figures = {
            (one.load.code, one.load.subject): f"{lower_first(one.limit.title)} of {one.subject}"
            for one in open_ones
        }
        self.runs = {run_id: facts.runs[run_id][0] for run_id in run_ids}
        landings = Landing.objects.filter(
            stood(before), site_id=site_id, run_id__in=run_ids, side=Landing.Side.FIELD
        )
        self.landings: dict[int, list[Landing]] = {}
        for row in landings.order_by("row", "pk"):
            if row.run_id is not None and row.block_id == self.runs[row.run_id].block_id:
                self.landings.setdefault(row.run_id, []).append(row)
        points = [row for run_id in run_ids for row in facts.points.get(run_id, ())]
        if others := sorted(run_ids - facts.points.keys()):  # beside what is open, on the same supply
            points += points_before(before, site_id=site_id, run_ids=others)
        self.points = {row.point_id: row for row in points}
        self.cables: Mapping[int, CableType | None] = {
            row.run_id: row.cable_type for row in reversed(points) if row.parent_id is None
        }

    def on_the_way(self, one: NextReading) -> tuple[object, ...]:
        """Sort key: what is read at blocks first, by closet, block and row, then rooms by name."""
        run = self.runs[one.run_id]
        rows = self._rows(run, Landing.Carries.DC_POSITIVE)
        at_block = (run.block.closet.name, run.block.name, *(rows[:1] or [0]), run.name)
        if one.point_id is None:
            return (0, *at_block, one.state)
        point = self.points[one.point_id]
        return (1, point.place.casefold(), "", point.rank, run.name)

    def of(self, one: NextReading) -> ToMeasure:
        run = self.runs[one.run_id]
        block, closet = run.block, run.block.closet
        rows = self._rows(run, Landing.Carries.DC_POSITIVE)
        point = self.points[one.point_id] if one.point_id is not None else None
        during = _DURING[one.state]
        if point is None:
            at = _at(block, rows)
            sentence = f"Run current of {run.name} {at}, {during}."
            probes = self._clamp(run)
        else:
            place = f" ({point.place})" if point.place else ""
            sentence = f"DC voltage at {point.point.name}{place} of {run.name}, {during}."
            probes = self._between(run, block, closet)
        return ToMeasure(
            kind=str(_TEST_KIND[one.kind]),
            state=str(Test.State.IDLE if one.state is State.IDLE else Test.State.PAGING),
            signal=_SIGNAL[one.state],
            unit=_UNIT[one.kind],
            run_id=run.pk,
            run=run.name,
            closet_id=closet.pk,
            closet=closet.name,
            block_id=block.pk,
            block=block.name,
            rows=tuple(rows),
            point_id=one.point_id,
            point=point.point.name if point is not None else "",
            place=point.place if point is not None else "",
            settles=self._figures(one.settles),
            may_settle=self._figures(one.may_settle),
            sentence=sentence,
            probes=probes,
        )

    def _rows(self, run: Run, *carries: Landing.Carries) -> list[int]:
        return list(dict.fromkeys(row.row for row in self.landings.get(run.pk, ()) if row.carries in carries))

    def _clamp(self, run: Run) -> str:
        positive = [
            row for row in self.landings.get(run.pk, ()) if row.carries == Landing.Carries.DC_POSITIVE
        ]
        if not positive:
            return (
                "Clamp around the positive DC conductors of the run. Their rows are not recorded: trace the "
                "run first."
            )
        conductors = [f"{colour_of(row, self.cables)} on row {row.row}" for row in positive]
        together = " together" if len(conductors) > 1 else ""
        return (
            f"Clamp around the positive DC conductors of the run{together}, field side: {listed(conductors)}."
        )

    def _between(self, run: Run, block: Block, closet: Closet) -> str:
        sides = [
            self._rows(run, carries) for carries in (Landing.Carries.DC_POSITIVE, Landing.Carries.DC_NEGATIVE)
        ]
        where = f"{block.name} in closet {closet.name}"
        at_block = (
            f"between rows {sides[0][0]} and {sides[1][0]} of {where}"
            if all(sides)
            else f"between its positive and negative on {where}, whose rows are not recorded"
        )
        return f"Between positive and negative at the point; at the same time {at_block}."

    def _figures(self, figures: Iterable[Figure]) -> tuple[str, ...]:
        return tuple(self.figures[figure] for figure in figures)


def _at(block: Block, rows: Sequence[int]) -> str:
    """``at clip 11`` of a block with clips, ``at rows 3 and 5`` of another."""
    if not rows:
        return f"at block {block.name}"
    word = "clip" if block.kind == Block.Kind.SPLIT_66 else "row"
    return f"at {plural(len(rows), word)} {listed([str(row) for row in rows])}"
