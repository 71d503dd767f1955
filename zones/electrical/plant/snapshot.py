"""The immutable snapshot from which everything is computed.

A ``Plant`` has tables of dated rows. A row holds for steps ``begin <= step < end``. Every row belongs to a
*group*: the things whose figures can depend on each other on some day (a supply with every run it ever fed
and the outputs and amplifiers behind those; a switch with its ports and endpoints; a block; a site's
addresses). The groups of one site are contiguous, and tables are sorted by group, so the rows of a member are
one slice of each table. The same geometry serves every day: a point of a later day is not selected, a removed
point is a splice.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from functools import cached_property

import numpy as np

from zones.electrical.bands import Factors, FloatArray, IntArray

from .tables import (
    FOREVER,
    AddressRows,
    AmplifierRows,
    Cables,
    ClipRows,
    Covers,
    EndpointRows,
    HeardRows,
    LandingRows,
    Models,
    OutputRows,
    PagingRows,
    PoeReadingRows,
    PointRows,
    PortRows,
    ProofTestRows,
    ReadingRows,
    RunRows,
    SupplyRows,
    SwitchRows,
    Table,
    ZoneRows,
)

TABLE_OF_KIND = {
    "run": "runs",
    "supply": "supplies",
    "output": "outputs",
    "amplifier": "amplifiers",
    "switch": "switches",
    "port": "ports",
    "endpoint": "endpoints",
}
"""The kinds of things with facts, and the table of the plant that has them."""


@dataclass(frozen=True, eq=False)
class Plant:
    """Everything that figures depend on, for one site or many.

    Ids by dense index: ``run_id``, ``point_id``, ``supply_id``, … Sites: ``site_id`` (s,), ``temperature_c``
    (s,), ``jurisdiction`` (s,) of ``Jurisdiction``, −1 unknown; days, by ordinal number, −1 none:
    ``surveyed_on`` (s,) on which a site that was taken over was found as it is, ``proofs_since`` (s,) from
    which proofs of runs are kept. Runs: ``run_kind`` (``RunKind``),
    ``run_block`` index of its block, ``run_block_kind`` (``BlockKind``). Blocks: ``block_kind``. Outputs:
    ``output_endpoint`` index of its endpoint. Groups: ``group_site`` (g,) ascending index of the site a group
    belongs to.
    """

    site_id: IntArray
    temperature_c: FloatArray
    jurisdiction: IntArray
    surveyed_on: IntArray
    proofs_since: IntArray
    group_site: IntArray
    run_id: IntArray
    run_kind: IntArray
    run_block: IntArray
    run_block_kind: IntArray
    point_id: IntArray
    supply_id: IntArray
    output_id: IntArray
    output_endpoint: IntArray
    amplifier_id: IntArray
    switch_id: IntArray
    port_id: IntArray
    endpoint_id: IntArray
    block_id: IntArray
    block_kind: IntArray
    models: Models
    cables: Cables
    covers: Covers
    runs: RunRows
    points: PointRows
    supplies: SupplyRows
    outputs: OutputRows
    amplifiers: AmplifierRows
    switches: SwitchRows
    ports: PortRows
    endpoints: EndpointRows
    poe_readings: PoeReadingRows
    landings: LandingRows
    clips: ClipRows
    zones: ZoneRows
    heard: HeardRows
    addresses: AddressRows
    paging: PagingRows
    readings: ReadingRows
    proof_tests: ProofTestRows
    factors: Factors = field(default_factory=Factors)

    @cached_property
    def tables(self) -> dict[str, Table]:
        """Every table of dated rows, by name."""
        return {f.name: value for f in fields(self) if isinstance(value := getattr(self, f.name), Table)}

    @cached_property
    def group_offsets(self) -> dict[str, IntArray]:
        """By table name: (g+1,) where the rows of each group begin."""
        count = np.arange(len(self.group_site) + 1)
        return {name: np.searchsorted(table.group, count) for name, table in self.tables.items()}

    @cached_property
    def site_groups(self) -> IntArray:
        """(s+1,) where the groups of each site begin."""
        return np.searchsorted(self.group_site, np.arange(len(self.site_id) + 1))

    def steps_of_groups(self, groups: IntArray) -> tuple[IntArray, IntArray]:
        """Every step at which a row of one of ``groups`` begins or ends, or the signal of a zone of its runs
        changes, each once.

        groups: (k,) distinct group numbers. Returns (position in ``groups``, step), sorted by both.
        """
        at: list[IntArray] = []
        steps: list[IntArray] = []
        for name, table in self.tables.items():
            if name in {"readings", "proof_tests", "zones", "heard"}:  # they change no load
                continue
            offsets = self.group_offsets[name]
            if name == "paging":  # bears on every group of its site
                site = self.group_site[groups]
                position, rows = expand(offsets[self.site_groups[site]], offsets[self.site_groups[site + 1]])
            else:
                position, rows = expand(offsets[groups], offsets[groups + 1])
            for edge in (table.begin[rows], table.end[rows]):
                known = edge != FOREVER
                at.append(position[known])
                steps.append(edge[known])
        position, rows = self._signal_changes(groups)
        at.append(position)
        steps.append(self.zones.begin[rows])
        pairs = np.unique(np.column_stack([np.concatenate(at), np.concatenate(steps)]), axis=0)
        return pairs[:, 0], pairs[:, 1]

    def _signal_changes(self, groups: IntArray) -> tuple[IntArray, IntArray]:
        """The rows of zones that follow another one of their zone, for each group with a run that was ever in
        it; a zone that begins or ends changes no load by itself.

        Returns (position in ``groups``, row of ``zones``).
        """
        order = np.lexsort((self.zones.begin, self.zones.zone_id))
        zone_id = self.zones.zone_id[order]
        follows = np.flatnonzero(zone_id[1:] == zone_id[:-1]) + 1
        rows, zone_id = order[follows], zone_id[follows]
        offsets = self.group_offsets["runs"]
        position, run = expand(offsets[groups], offsets[groups + 1])
        pairs = np.unique(np.column_stack([position, self.runs.zone_id[run]]), axis=0)
        first, last = (np.searchsorted(zone_id, pairs[:, 1], side) for side in ("left", "right"))
        owner, at = expand(first, last)
        return pairs[owner, 0], rows[at]


@dataclass(frozen=True)
class Members:
    """Sites, or single groups of them, each as of a step.

    site: (m,) index into ``plant.site_id``; step: (m,); group: (m,) a group of that site, or −1 for all of
    them.
    """

    site: IntArray
    step: IntArray
    group: IntArray

    def __len__(self) -> int:
        return len(self.site)

    def slices(
        self, plant: Plant, offsets: IntArray, *, site_wide: bool = False
    ) -> tuple[IntArray, IntArray]:
        """(m,) start and stop of each member's rows in a table whose groups begin at ``offsets`` (g+1,)."""
        whole = np.ones(len(self), np.bool_) if site_wide else self.group < 0
        first = np.where(whole, plant.site_groups[self.site], self.group)
        last = np.where(whole, plant.site_groups[self.site + 1], self.group + 1)
        return offsets[first], offsets[last]

    @classmethod
    def of_sites(cls, plant: Plant, step: IntArray | int) -> Members:
        """One member a site, whole, as of ``step`` (one for all, or one each)."""
        count = len(plant.site_id)
        return cls(
            np.arange(count), np.broadcast_to(np.asarray(step, np.int64), (count,)), np.full(count, -1)
        )

    @classmethod
    def of_groups(cls, plant: Plant, group: IntArray, step: IntArray) -> Members:
        """One member a (group, step)."""
        return cls(plant.group_site[group], np.asarray(step, np.int64), np.asarray(group, np.int64))


def place_of(ids: IntArray, wanted: IntArray) -> IntArray:
    """(n,) where each of ``wanted`` stands in ``ids`` (ascending); −1 where it does not.

    >>> place_of(np.array([4, 9]), np.array([9, -1, 5])).tolist()
    [1, -1, -1]
    """
    if not len(ids):
        return np.full(len(wanted), -1)
    place = np.minimum(np.searchsorted(ids, wanted), len(ids) - 1)
    return np.where(ids[place] == wanted, place, -1)


def expand(start: IntArray, stop: IntArray) -> tuple[IntArray, IntArray]:
    """Concatenate ranges: for ranges (k,) ``start`` to ``stop`` returns (range number, index), each (total,).

    >>> [a.tolist() for a in expand(np.array([0, 5]), np.array([2, 6]))]
    [[0, 0, 1], [0, 1, 5]]
    """
    length = np.maximum(np.asarray(stop) - np.asarray(start), 0)
    owner = np.repeat(np.arange(len(length)), length)
    first = np.cumsum(length) - length
    return owner, np.arange(len(owner)) - first[owner] + np.asarray(start)[owner]


def select(
    plant: Plant, name: str, members: Members, *, site_wide: bool = False
) -> tuple[IntArray, IntArray]:
    """The rows of a table that hold for each member.

    name: of the plant's table, such as "runs". site_wide: take all rows of the member's site
    (zones and paging sets bear on every group). Returns (member number, row number), each (total,), sorted by
    member and then row.
    """
    table = plant.tables[name]
    owner, row = expand(*members.slices(plant, plant.group_offsets[name], site_wide=site_wide))
    step = members.step[owner]
    holds = (table.begin[row] <= step) & (step < table.end[row])
    return owner[holds], row[holds]
