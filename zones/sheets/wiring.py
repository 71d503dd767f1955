"""What is landed on the blocks of a closet, or on one block, on a day: row by row, run by run."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from django.db.models import Q

from sites.models import Amplifier, Block, CableType, Closet, Endpoint, Output, Supply
from sites.selectors import equipment_before, stood
from zones.electrical.plant import BlockKind
from zones.electrical.subjects import SubjectKind
from zones.electrical.terminations import SIDE_TAKES
from zones.limits.cautions import SHOCKING_LINE_V, Caution
from zones.models import Landing, PointFacts, Run, RunFacts
from zones.selectors import colour_of, points_with_connections, pulled_clips_before, runs_before
from zones.subjects import called

from .isolation import Feed, Isolation, isolation_of
from .shown import shown
from .silenced import Silenced, Source, silenced, whom_to_tell

Cables = Mapping[int, CableType | None]
"""By run, the cable type of the segment that lands on its block."""


@dataclass(frozen=True)
class Conductor:
    """A conductor on one side of a row. carries: in words. of: what it belongs to, as people call it; of_kind
    and of_id name that run, supply or amplifier, or the endpoint of that output."""

    landing_id: int
    side: str
    pair: int
    colour: str
    carries: str
    of: str
    of_kind: str
    of_id: int
    run_id: int | None
    zone_id: int | None
    zone: str


@dataclass(frozen=True)
class Row:
    """clip: ``in``, ``out``, or blank where the block has no clips. remark: what is wrong with
    it, in words."""

    number: int
    clip: str
    conductors: tuple[Conductor, ...]
    remark: str


@dataclass(frozen=True)
class BlockHere:
    """rows: those with a conductor, or whose clip is out."""

    id: int
    name: str
    kind: str
    row_count: int
    rows: tuple[Row, ...]
    note: str


@dataclass(frozen=True)
class RunHere:
    """A run that leaves this closet, or is landed on a block here. fed_by: in words, blank where nothing is
    recorded. heard_in: the zones that fall silent where it is disconnected, in words and life safety first;
    blank where none is recorded."""

    id: int
    name: str
    kind: str
    zone_id: int | None
    zone: str
    block: str
    fed_by: str
    heard_in: str
    isolation: Isolation
    note: str


@dataclass(frozen=True)
class Wiring:
    blocks: tuple[BlockHere, ...]
    runs: tuple[RunHere, ...]


def wiring_of(closet: Closet, before: int) -> Wiring:
    """What is landed in a closet. Six queries, however much that is."""
    blocks = equipment_before(before, site_ids=[closet.site_id]).blocks
    here = [block for block in blocks if block.closet_id == closet.pk]
    return _wiring(here, closet.pk, closet.site_id, before)


def wiring_of_block(block: Block, before: int) -> Wiring:
    """The same of one block, and of the runs that leave it or are landed on it."""
    return _wiring([block], block.closet_id, block.site_id, before)


def _wiring(blocks: Sequence[Block], closet_id: int, site_id: int, before: int) -> Wiring:
    block_ids = {block.pk for block in blocks}
    of_site = runs_before(before, site_ids=[site_id])
    leaving = [run.pk for run, _ in of_site if run.block_id in block_ids]
    landings_then = Landing.objects.filter(stood(before), site_id=site_id)
    landed_here = landings_then.filter(block__in=block_ids, run__isnull=False)
    # A run may share its rows on another block, which pulling its clips there then disconnects too
    also_on = landings_then.filter(Q(run__in=leaving) | Q(run__in=landed_here.values("run")))
    landings = list(
        landings_then.filter(Q(block__in=block_ids) | Q(block__in=also_on.values("block")))
        .select_related(*_LANDED)
        .order_by("block__name", "row", "side", "id")
    )
    run_ids = {*leaving, *(row.run_id for row in landings if row.block_id in block_ids)}
    runs = [run for run, _ in of_site if run.pk in run_ids]
    then = _Then(site_id, before, runs)
    out = pulled_clips_before(before, block_ids=block_ids | {row.block_id for row in landings})
    cables = {row.run_id: row.cable_type for row in reversed(then.points) if row.parent_id is None}
    silent = silenced(site_id, before) if runs else Silenced({}, {})
    isolations = then.isolations(landings, out, closet_id, silent)
    return Wiring(
        blocks=tuple(
            _block(block, [row for row in landings if row.block_id == block.pk], out, then.facts, cables)
            for block in blocks
        ),
        runs=tuple(
            _run(run, then.facts.get(run.pk), silent.by_run.get(run.pk, ""), isolations[run.pk])
            for run in runs
        ),
    )


@dataclass(frozen=True)
class RunIsolation(Isolation):
    """complete: whether pulling these clips disconnects the run from all that feeds it, as far as is
    recorded. caution: what to do besides, since clips isolate the field cable only."""

    caution: str


def isolation_of_run(run: Run, before: int) -> RunIsolation:
    """How to disconnect one run, for somebody at its block. At most six queries."""
    landings_then = Landing.objects.filter(stood(before), site_id=run.site_id)
    of_run = landings_then.filter(run=run)
    landings = list(
        landings_then.filter(Q(run=run) | Q(block_id__in=of_run.values("block_id"), run__isnull=False))
        .select_related(*_LANDED)
        .order_by("block__name", "row", "side", "id")
    )
    out = pulled_clips_before(before, block_ids={row.block_id for row in landings})
    then = _Then(run.site_id, before, [run])
    silent = silenced(run.site_id, before)
    found = then.isolations(landings, out, run.block.closet_id, silent)[run.pk]
    return RunIsolation(**vars(found), caution=Caution.DISCONNECT.text)


_LANDED = ("block__closet", "run", "output__endpoint", "supply", "amplifier")


class _Then:
    """Some runs of a site as they were before a step, with what fed them."""

    def __init__(self, site_id: int, before: int, runs: Sequence[Run]) -> None:
        self.site_id, self.before, self.runs = site_id, before, runs
        self.run_ids = [run.pk for run in runs]
        every = runs_before(before, site_ids=[site_id])
        self.facts = {run.pk: row for run, row in every if run.pk in self.run_ids}
        of_site = points_with_connections(before, site_id=site_id)
        self.points = [row for row in of_site if row.run_id in self.run_ids]

    def _line_voltages(self) -> dict[int, float | None]:
        """By amplifier, the voltage of its line; None: low impedance, or not recorded."""
        if all(row.amplifier_id is None for row in self.facts.values()):
            return {}
        every = equipment_before(self.before, site_ids=[self.site_id]).amplifiers
        return {one.pk: row.line_voltage_v if row else None for one, row in every}

    def isolations(
        self, landings: Sequence[Landing], out: set[tuple[int, int]], closet_id: int, silent: Silenced
    ) -> dict[int, Isolation]:
        """How to disconnect each, by its id. landings, out, closet_id: as ``isolation_of`` takes them."""
        voltages = self._line_voltages()
        mid_run = _fed_mid_run(self.points)
        tell = whom_to_tell(self.site_id, closet_id) if self.runs else ""
        return {
            run.pk: isolation_of(
                run,
                landings,
                out,
                _feeds(self.facts.get(run.pk), mid_run[run.pk], voltages, silent.by_source),
                closet_id,
                tell,
            )
            for run in self.runs
        }


def _fed_mid_run(points: Sequence[PointFacts]) -> dict[int, list[tuple[str, Supply]]]:
    """By run, the supplies that feed it at a point, which no clip at the block disconnects."""
    found: dict[int, list[tuple[str, Supply]]] = defaultdict(list)
    for row in points:
        if row.feed_supply is not None:
            found[row.run_id].append((row.point.name, row.feed_supply))
    return found


def _feeds(
    facts: RunFacts | None,
    mid_run: Iterable[tuple[str, Supply]],
    voltages: Mapping[int, float | None],
    silent: Mapping[Source, str],
) -> tuple[Feed, ...]:
    """What energises the conductors of a run. Of a self-amplified run an output is only the sound; another
    run it drives, as an amplifier does. It is switched off with its device, which is named."""

    def of(name: str, stands: Supply | Amplifier | Endpoint, source: Source, **more: str) -> Feed:
        closet = stands.closet.name if stands.closet else ""
        return Feed(name, stands.closet_id, closet, silences=silent.get(source, ""), **more)

    found = []
    if facts is not None and facts.supply is not None:
        found.append(
            of(called(SubjectKind.SUPPLY, facts.supply.name), facts.supply, ("supply", facts.supply.pk))
        )
    if facts is not None and facts.amplifier is not None:
        line = _shocking_line(facts.run.kind, voltages.get(facts.amplifier.pk))
        found.append(
            of(
                called(SubjectKind.AMPLIFIER, facts.amplifier.name),
                facts.amplifier,
                ("amplifier", facts.amplifier.pk),
                shocking_line=line,
            )
        )
    if facts is not None and facts.output is not None and facts.run.kind != Run.Kind.SELF_AMPLIFIED:
        device = facts.output.endpoint
        line = _shocking_line(facts.run.kind, None)
        found.append(of(device.name, device, ("endpoint", device.pk), shocking_line=line))
    found += [
        of(called(SubjectKind.SUPPLY, supply.name), supply, ("supply", supply.pk), at_point=point)
        for point, supply in mid_run
    ]
    return tuple(found)


def _shocking_line(kind: str, volts: float | None) -> str:
    """In words; blank: touching it does not shock. A voltage that is not recorded may be one that does."""
    if kind != Run.Kind.CONSTANT_VOLTAGE:
        return ""
    if volts is None:
        return "a line whose voltage is not recorded"
    return f"a line of {volts:g} V" if volts >= SHOCKING_LINE_V else ""


def _block(
    block: Block,
    landings: Sequence[Landing],
    out: set[tuple[int, int]],
    facts: Mapping[int, RunFacts],
    cables: Cables,
) -> BlockHere:
    by_row: dict[int, list[Landing]] = defaultdict(list)
    for landing in landings:
        by_row[landing.row].append(landing)
    pulled = {row for of, row in out if of == block.pk}
    rows = [
        _row(number, by_row[number], pulled, block, facts, cables)
        for number in sorted(by_row.keys() | pulled)
    ]
    return shown(BlockHere, block, kind=block.get_kind_display(), rows=tuple(rows))


def _row(
    number: int,
    landings: Sequence[Landing],
    pulled: set[int],
    block: Block,
    facts: Mapping[int, RunFacts],
    cables: Cables,
) -> Row:
    takes = int(SIDE_TAKES[BlockKind[Block.Kind(block.kind).name], int(number in pulled)])
    remarks = [
        f"{len(on_side)} conductors on the {side} side; {takes} allowed"
        for side in Landing.Side.values
        if len(on_side := [row for row in landings if row.side == side]) > takes
    ]
    return Row(
        number=number,
        clip=("out" if number in pulled else "in") if block.can_isolate else "",
        conductors=tuple(_conductor(row, facts, cables) for row in landings),
        remark="; ".join(remarks),
    )


def _conductor(row: Landing, facts: Mapping[int, RunFacts], cables: Cables) -> Conductor:
    of_run = facts.get(row.run_id) if row.run_id is not None else None
    of_kind, of_id = _belongs_to(row)
    return shown(
        Conductor,
        row,
        of_run,
        landing_id=row.pk,
        colour=colour_of(row, cables),
        carries=row.get_carries_display(),
        of=called(SubjectKind.RUN, row.run.name) if row.run is not None else " and ".join(_sources(row)),
        of_kind=of_kind,
        of_id=of_id,
        zone=_zone(of_run),
    )


def _belongs_to(row: Landing) -> tuple[str, int]:
    """Kind and id of the one thing that a conductor belongs to (`landing_one_thing_on_its_side`)."""
    if row.run_id is not None:
        return "run", row.run_id
    if row.supply_id is not None:
        return "supply", row.supply_id
    if row.amplifier_id is not None:
        return "amplifier", row.amplifier_id
    assert row.output is not None
    return "endpoint", row.output.endpoint_id


def _run(run: Run, facts: RunFacts | None, heard_in: str, isolation: Isolation) -> RunHere:
    return shown(
        RunHere,
        run,
        facts,
        kind=run.get_kind_display(),
        zone=_zone(facts),
        block=run.block.name,
        fed_by=" and ".join(_sources(facts)) if facts else "",
        heard_in=heard_in,
        isolation=isolation,
    )


def _zone(facts: RunFacts | None) -> str:
    return facts.zone.name if facts is not None and facts.zone is not None else ""


def _sources(row: Landing | RunFacts) -> list[str]:
    """The output, supply and amplifier of a row, as people call them."""
    found = [] if row.output is None else [_output(row.output)]
    if row.supply is not None:
        found.append(called(SubjectKind.SUPPLY, row.supply.name))
    if row.amplifier is not None:
        found.append(called(SubjectKind.AMPLIFIER, row.amplifier.name))
    return found


def _output(output: Output) -> str:
    return called(SubjectKind.OUTPUT, output.number, output.endpoint.name)
