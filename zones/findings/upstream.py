"""Which rows feed a subject: a group holds everything that ever depended on each other, and another supply's
run has nothing to do with this one's current."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any, Final, NamedTuple

import numpy as np

from zones.electrical.bands import IntArray
from zones.electrical.evaluate import subject_ids
from zones.electrical.plant import BoolArray, Plant, RunKind, Table
from zones.electrical.subjects import SubjectKind

from .changes_at_step import THINGS, ChangeAtStep, changes_at_step


class Scene(NamedTuple):
    """What changed around a subject at a step. writers: the change sets that last wrote the rows that begin
    there, and those that end there with nothing after them."""

    step: int
    writers: frozenset[int]
    changes: tuple[ChangeAtStep, ...]


@dataclass(frozen=True, eq=False)
class Scenes:
    """The scenes of a plant, each made once: a change mostly pushes several limits of one subject, and
    several subjects of one group.

    Kept in dictionaries of its own: a cached method would refer to itself, and the plant of each batch would
    stay in memory until such circles are looked for.
    """

    plant: Plant
    _of_group: dict[int, Plant] = field(default_factory=dict)
    _made: dict[tuple[SubjectKind, int, int, int], Scene] = field(default_factory=dict)

    def at(self, kind: SubjectKind, subject_id: int, group: int, step: int) -> Scene:
        """What changed at ``step`` of the rows that feed the subject; of its whole group where none of those
        did."""
        key = (kind, subject_id, group, step)
        if key in self._made:
            return self._made[key]
        if group not in self._of_group:
            self._of_group[group] = self._only(group)
        own = self._of_group[group]
        edge = {name: (t.begin == step) | (t.end == step) for name, t in own.tables.items() if len(t)}
        edge = {name: mask for name, mask in edge.items() if mask.any()}
        index = int(np.flatnonzero(subject_ids(own, kind) == subject_id)[0])
        for near in _NEARNESS[kind](own, index, step):
            rows = {name: edge[name] & near[name]() for name in near if name in edge}
            if any(mask.any() for mask in rows.values()):
                break
        else:
            rows = edge
        writers: set[int] = set()
        for name, mask in rows.items():
            table = own.tables[name]
            begins, ends = mask & (table.begin == step), mask & (table.end == step)
            if name in THINGS:
                things = getattr(table, THINGS[name])
                ends &= ~np.isin(things, things[begins])
            writers.update(table.changed_by[begins | ends].tolist())
        self._made[key] = Scene(step, frozenset(writers), changes_at_step(own, rows, step))
        return self._made[key]

    def _only(self, group: int) -> Plant:
        """The plant with the rows of one group; of paging sets and zones, those of its site, on which
        every group depends."""
        plant = self.plant
        site = int(plant.group_site[group])
        of_site = plant.site_groups[site : site + 2]
        sliced: dict[str, Any] = {}
        for name, table in plant.tables.items():
            first, last = of_site if name in {"paging", "zones"} else (group, group + 1)
            offsets = plant.group_offsets[name]
            sliced[name] = table.rows(slice(int(offsets[first]), int(offsets[last])))
        if len(sliced["runs"]):  # those of its runs, which are in the groups of their blocks
            landed = np.isin(plant.landings.run_index, sliced["runs"].run_index)
            sliced["landings"] = plant.landings.rows(np.flatnonzero(landed))
        return replace(plant, **sliced)


Near = dict[str, Callable[[], BoolArray]]
"""By table name, what makes (rows,) True for those that are meant: called where a row begins or ends."""


def _every_row() -> BoolArray:
    return np.ones(1, np.bool_)


def _around(table: Table, step: int) -> BoolArray:
    """Rows that hold at the step, or right before it."""
    return (table.begin <= step) & (step <= table.end)


def _of_runs(plant: Plant, runs: IntArray, step: int) -> Near:
    """The rows of some runs, and of what feeds them then."""
    table = plant.runs
    own = np.isin(table.run_index, runs)
    now = own & _around(table, step)

    def points() -> BoolArray:
        return np.isin(plant.points.run_index, runs)

    def supplies() -> BoolArray:
        feeding = np.concatenate([table.supply_index[now], plant.points.feed_supply_index[points()]])
        return np.isin(plant.supplies.supply_index, feeding)

    def zones() -> BoolArray:
        of_speakers = now & (plant.run_kind[table.run_index] == RunKind.SELF_AMPLIFIED)
        return np.isin(plant.zones.zone_id, table.zone_id[of_speakers]) & _signal_changes(plant, step)

    return {
        "runs": lambda: own,
        "points": points,
        "supplies": supplies,
        "outputs": lambda: np.isin(plant.outputs.output_index, table.output_index[now]),
        "amplifiers": lambda: np.isin(plant.amplifiers.amplifier_index, table.amplifier_index[now]),
        "readings": lambda: np.isin(plant.readings.run_index, runs),
        "proof_tests": lambda: np.isin(plant.proof_tests.run_index, runs),
        "zones": zones,
        "paging": _every_row,
    }


def _signal_changes(plant: Plant, step: int) -> BoolArray:
    """The rows of zones that another one of their zone follows, or precedes, at the step."""
    zones = plant.zones
    begins, ends = (zones.zone_id[edge == step] for edge in (zones.begin, zones.end))
    return np.isin(zones.zone_id, np.intersect1d(begins, ends))


def _runs_on(plant: Plant, column: str, index: int, step: int) -> IntArray:
    """Runs fed by a supply, output or amplifier at the step, or right before it."""
    table = plant.runs
    runs = table.run_index[_around(table, step) & (getattr(table, column) == index)]
    if column == "supply_index":
        fed = _around(plant.points, step) & (plant.points.feed_supply_index == index)
        runs = np.concatenate([runs, plant.points.run_index[fed]])
    return np.unique(runs)


def _near_run(plant: Plant, index: int, step: int) -> Iterator[Near]:
    """Its own rows first; then those of the runs beside it, which pull the same source down."""
    alone = np.array([index])
    yield _of_runs(plant, alone, step)
    table = plant.runs
    own = _around(table, step) & (table.run_index == index)
    beside = [alone]
    points = _around(plant.points, step) & (plant.points.run_index == index)
    for column in ("supply_index", "output_index", "amplifier_index"):
        sources = getattr(table, column)[own]
        if column == "supply_index":
            sources = np.concatenate([sources, plant.points.feed_supply_index[points]])
        beside += [_runs_on(plant, column, int(k), step) for k in np.unique(sources) if k >= 0]
    yield _of_runs(plant, np.unique(np.concatenate(beside)), step)
    # its landings bear on its proof alone: they change no load
    yield {"landings": lambda: plant.landings.run_index == index}


def _near_source(name: str, column: str) -> Callable[[Plant, int, int], Iterator[Near]]:
    def near(plant: Plant, index: int, step: int) -> Iterator[Near]:
        rows = _of_runs(plant, _runs_on(plant, column, index, step), step)
        # the other kinds of sources of its runs do not change what this one carries
        kept = {"runs", "points"} | ({"paging", "zones"} if name == "supplies" else set())
        own = getattr(plant.tables[name], column) == index
        yield {table: mask for table, mask in rows.items() if table in kept} | {name: lambda: own}

    return near


def _endpoints_on(plant: Plant, ports: IntArray, step: int) -> BoolArray:
    """Rows of the endpoints on some ports, of those too that leave them at the step."""
    table = plant.endpoints
    there = _around(table, step) & np.isin(table.port_index, ports)
    return np.isin(table.endpoint_index, table.endpoint_index[there])


def _near_switch(plant: Plant, index: int, step: int) -> Iterator[Near]:
    ports = plant.ports.switch_index == index
    yield {
        "switches": lambda: plant.switches.switch_index == index,
        "ports": lambda: ports,
        "endpoints": lambda: _endpoints_on(plant, np.unique(plant.ports.port_index[ports]), step),
        "poe_readings": lambda: plant.poe_readings.switch_index == index,
    }


def _near_port(plant: Plant, index: int, step: int) -> Iterator[Near]:
    own = plant.ports.port_index == index
    yield {
        "ports": lambda: own,
        "endpoints": lambda: _endpoints_on(plant, np.array([index]), step),
    }
    switches = plant.ports.switch_index[own]
    yield {"switches": lambda: np.isin(plant.switches.switch_index, switches)}


def _near_endpoint(plant: Plant, index: int, step: int) -> Iterator[Near]:
    # an address is used twice because of the other endpoint as often as not
    table = plant.addresses
    own = table.address_code[_around(table, step) & (table.endpoint_index == index)]
    yield {
        "endpoints": lambda: plant.endpoints.endpoint_index == index,
        "addresses": lambda: np.isin(table.address_code, own),
    }


def _near_block(plant: Plant, index: int, step: int) -> Iterator[Near]:
    yield {
        "landings": lambda: plant.landings.block_index == index,
        "clips": lambda: plant.clips.block_index == index,
    }
    yield {"zones": lambda: ~_signal_changes(plant, step)}


def _near_site(plant: Plant, _index: int, _step: int) -> Iterator[Near]:
    yield dict.fromkeys(plant.tables, _every_row)


_NEARNESS: Final[dict[SubjectKind, Callable[[Plant, int, int], Iterator[Near]]]] = {
    SubjectKind.RUN: _near_run,
    SubjectKind.OUTPUT: _near_source("outputs", "output_index"),
    SubjectKind.SUPPLY: _near_source("supplies", "supply_index"),
    SubjectKind.AMPLIFIER: _near_source("amplifiers", "amplifier_index"),
    SubjectKind.SWITCH: _near_switch,
    SubjectKind.PORT: _near_port,
    SubjectKind.ENDPOINT: _near_endpoint,
    SubjectKind.BLOCK: _near_block,
    SubjectKind.SITE: _near_site,
}
