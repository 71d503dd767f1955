"""What lies on the blocks of a closet on a day: row by row, run by run."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from django.db.models import Q

from sites.models import AmplifierFacts, Block, Closet, Supply
from sites.selectors import facts_before, standing, stood
from zones.limits.cautions import SHOCKING_LINE_V
from zones.models import Landing, PointFacts, Run, RunFacts
from zones.pair_colours import conductor_colour
from zones.selectors import points_before, pulled_clips_before

from .isolation import Feed, Isolation, Lying, isolation_of


@dataclass(frozen=True)
class Conductor:
    """What lies on one side of a row. carries: in words. of: what it belongs to, as people call it."""

    landing_id: int
    side: str
    pair: int
    colour: str
    carries: str
    of: str
    run_id: int | None
    zone_id: int | None
    zone: str


@dataclass(frozen=True)
class Row:
    """clip: ``in``, ``out``, or blank where nothing on the block can be pulled. remark: what is wrong with
    it, in words."""

    number: int
    clip: str
    conductors: tuple[Conductor, ...]
    remark: str


@dataclass(frozen=True)
class BlockHere:
    """rows: those that something lies on, or whose clip is out."""

    id: int
    name: str
    kind: str
    row_count: int
    rows: tuple[Row, ...]
    note: str


@dataclass(frozen=True)
class RunHere:
    """A run that leaves this closet, or lies on a block here. fed_by: in words, blank where nothing is
    recorded."""

    id: int
    name: str
    kind: str
    zone_id: int | None
    zone: str
    block: str
    fed_by: str
    isolation: Isolation
    note: str


@dataclass(frozen=True)
class Wiring:
    blocks: tuple[BlockHere, ...]
    runs: tuple[RunHere, ...]


def wiring_of(closet: Closet, before: int) -> Wiring:
    """Nine queries, however much lies there."""
    blocks = list(standing(Block, before, closet=closet))
    landed_here = Landing.objects.filter(stood(before), block__closet=closet, run__isnull=False)
    runs = list(
        standing(Run, before)
        .filter(Q(block__closet=closet) | Q(pk__in=landed_here.values("run")))
        .select_related("block")
    )
    run_ids = [run.pk for run in runs]
    facts = {
        row.run_id: row
        for row in facts_before(RunFacts, before, run_id__in=run_ids).select_related(
            "run", "zone", "output__endpoint__closet", "supply__closet", "amplifier__closet"
        )
    }
    landings = list(
        Landing.objects.filter(stood(before))
        .filter(Q(block__closet=closet) | Q(run_id__in=run_ids))
        .select_related("block__closet", "run", "output__endpoint", "supply", "amplifier")
        .order_by("block__name", "row", "side", "id")
    )
    out = pulled_clips_before(before, block_ids={row.pk for row in blocks} | {l_.block_id for l_ in landings})
    points = points_before(before, run_ids=run_ids)
    voltages = _line_voltages(facts.values(), before)
    mid_run = _fed_mid_run(points)
    feeds = {run.pk: _feeds(facts.get(run.pk), mid_run[run.pk], voltages) for run in runs}
    lying = [Lying.of(row, out) for row in landings if row.run_id is not None]
    return Wiring(
        blocks=tuple(
            _block(block, [row for row in landings if row.block_id == block.pk], out, facts)
            for block in blocks
        ),
        runs=tuple(
            _run(run, facts.get(run.pk), isolation_of(run.pk, run.kind, lying, feeds[run.pk], closet.pk))
            for run in runs
        ),
    )


def _line_voltages(facts: Iterable[RunFacts], before: int) -> dict[int, float | None]:
    """By amplifier, the voltage of its line; None: low impedance, or not recorded."""
    ids = {row.amplifier_id for row in facts if row.amplifier_id is not None}
    rows = facts_before(AmplifierFacts, before, amplifier_id__in=ids)
    return {row.amplifier_id: row.line_voltage_v for row in rows}


def _fed_mid_run(points: Sequence[PointFacts]) -> dict[int, list[tuple[str, Supply]]]:
    """By run, the supplies that feed it at a point, which no clip at the block parts from it."""
    fed = [row for row in points if row.feed_supply_id is not None]
    supplies = Supply.objects.select_related("closet").in_bulk({row.feed_supply_id for row in fed})
    found: dict[int, list[tuple[str, Supply]]] = defaultdict(list)
    for row in fed:
        found[row.run_id].append((row.point.name, supplies[row.feed_supply_id]))
    return found


def _feeds(
    facts: RunFacts | None, mid_run: Iterable[tuple[str, Supply]], voltages: Mapping[int, float | None]
) -> tuple[Feed, ...]:
    found = []
    if facts is not None and facts.supply is not None:
        supply = facts.supply
        found.append(Feed(f"supply {supply.name}", supply.closet_id, supply.closet.name))
    if facts is not None and facts.amplifier is not None:
        amplifier = facts.amplifier
        line = _shocking_line(facts.run.kind, voltages.get(amplifier.pk))
        found.append(
            Feed(
                f"amplifier {amplifier.name}",
                amplifier.closet_id,
                amplifier.closet.name,
                shocking_line=line,
            )
        )
    if facts is not None and facts.output is not None and facts.run.kind != Run.Kind.SELF_AMPLIFIED:
        # Of a self-amplified run it is only the sound; a line it drives, as an amplifier does
        endpoint = facts.output.endpoint
        found.append(
            Feed(
                f"output {facts.output.number} of {endpoint.name}",
                endpoint.closet_id,
                endpoint.closet.name if endpoint.closet is not None else "",
                shocking_line=_shocking_line(facts.run.kind, None),
            )
        )
    for point, supply in mid_run:
        found.append(Feed(f"supply {supply.name}", supply.closet_id, supply.closet.name, at_point=point))
    return tuple(found)


def _shocking_line(kind: str, volts: float | None) -> str:
    """In words; blank: touching it does not shock. A voltage that is not recorded may be one that does."""
    if kind != Run.Kind.CONSTANT_VOLTAGE:
        return ""
    if volts is None:
        return "a line whose voltage is not recorded"
    return f"a line of {volts:g} V" if volts >= SHOCKING_LINE_V else ""


def _block(
    block: Block, landings: Sequence[Landing], out: set[tuple[int, int]], facts: Mapping[int, RunFacts]
) -> BlockHere:
    by_row: dict[int, list[Landing]] = defaultdict(list)
    for landing in landings:
        by_row[landing.row].append(landing)
    pulled = {row for of, row in out if of == block.pk}
    return BlockHere(
        id=block.pk,
        name=block.name,
        kind=block.get_kind_display(),
        row_count=block.row_count,
        rows=tuple(
            _row(number, by_row[number], pulled, block, facts) for number in sorted(by_row.keys() | pulled)
        ),
        note=block.note,
    )


def _row(
    number: int, landings: Sequence[Landing], pulled: set[int], block: Block, facts: Mapping[int, RunFacts]
) -> Row:
    remarks = [
        f"{len(on_side)} wires on the {side} side of one clip"
        for side in Landing.Side.values
        if len(on_side := [row for row in landings if row.side == side]) > 1
    ]
    return Row(
        number=number,
        clip=("out" if number in pulled else "in") if block.can_isolate else "",
        conductors=tuple(_conductor(row, facts) for row in landings),
        remark="; ".join(remarks),
    )


def _conductor(row: Landing, facts: Mapping[int, RunFacts]) -> Conductor:
    of_run = facts.get(row.run_id) if row.run_id is not None else None
    zone = of_run.zone if of_run is not None else None
    return Conductor(
        landing_id=row.pk,
        side=row.side,
        pair=row.pair,
        colour=conductor_colour(row.pair, first=row.conductor == Landing.Conductor.FIRST),
        carries=row.get_carries_display(),
        of=_whose(row),
        run_id=row.run_id,
        zone_id=zone.pk if zone else None,
        zone=zone.name if zone else "",
    )


def _whose(row: Landing) -> str:
    if row.run is not None:
        return f"run {row.run.name}"
    if row.output is not None:
        return f"output {row.output.number} of {row.output.endpoint.name}"
    if row.supply is not None:
        return f"supply {row.supply.name}"
    return f"amplifier {row.amplifier.name}" if row.amplifier is not None else ""


def _run(run: Run, facts: RunFacts | None, isolation: Isolation) -> RunHere:
    zone = facts.zone if facts else None
    fed = []
    if facts is not None and facts.output is not None:
        fed.append(f"output {facts.output.number} of {facts.output.endpoint.name}")
    if facts is not None and facts.supply is not None:
        fed.append(f"supply {facts.supply.name}")
    if facts is not None and facts.amplifier is not None:
        fed.append(f"amplifier {facts.amplifier.name}")
    return RunHere(
        id=run.pk,
        name=run.name,
        kind=run.get_kind_display(),
        zone_id=zone.pk if zone else None,
        zone=zone.name if zone else "",
        block=run.block.name,
        fed_by=" and ".join(fed),
        isolation=isolation,
        note=run.note,
    )
