"""Which subjects bear on which zones: a zone is silent, or its figures are judged, with them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bands import IntArray
from .plant import Members, Plant, expand, select
from .subjects import SubjectKind


@dataclass(frozen=True)
class Bearing:
    """Each (member, zone, subject) once, sorted by them. All (n,); ids are those of the record."""

    member: IntArray
    zone_id: IntArray
    subject_kind: IntArray
    subject_id: IntArray

    def __len__(self) -> int:
        return len(self.member)


def bearing(plant: Plant, members: Members) -> Bearing:
    """The subjects that bear on each zone of some whole sites, each site as of its member's step.

    A run bears on its own zone and on every other zone that a point of it is assigned to. With the run, what
    feeds it does (supply, supplies in mid-run, amplifier, output), every block that a conductor of it lies
    on, and, behind its output, the endpoint with its port and switch. An endpoint bears on the zones in which
    it is heard, with its port and switch.
    """
    member, row = select(plant, "runs", members)
    point_member, point_row = select(plant, "points", members)
    landing_member, landing_row = select(plant, "landings", members)
    heard_member, heard_row = select(plant, "heard", members)
    end_member, end_row = select(plant, "endpoints", members)
    port_member, port_row = select(plant, "ports", members)
    runs, points, landings = plant.runs, plant.points, plant.landings

    special = (points.zone_id[point_row] >= 0) | (points.feed_supply_index[point_row] >= 0)
    point_member, point_row = point_member[special], point_row[special]
    of_point = points.run_index[point_row]
    run = runs.run_index[row]
    # (member, zone, run): every run of a zone, by the run's own facts and by those of its points
    of_run = _Pairs(
        np.concatenate([member, point_member]),
        np.concatenate([runs.zone_id[row], points.zone_id[point_row]]),
        np.concatenate([run, of_point]),
    ).of_zones()

    output = of_run.through(member, run, runs.output_index[row])
    heard = plant.heard
    endpoint = output.through_all(plant.output_endpoint).with_more(
        heard_member, heard.zone_id[heard_row], heard.endpoint_index[heard_row]
    )
    port = endpoint.through(
        end_member, plant.endpoints.endpoint_index[end_row], plant.endpoints.port_index[end_row]
    )
    found = (
        (SubjectKind.RUN, plant.run_id, of_run),
        (SubjectKind.OUTPUT, plant.output_id, output),
        (SubjectKind.SUPPLY, plant.supply_id, of_run.through(member, run, runs.supply_index[row])),
        (
            SubjectKind.SUPPLY,
            plant.supply_id,
            of_run.through(point_member, of_point, points.feed_supply_index[point_row]),
        ),
        (SubjectKind.AMPLIFIER, plant.amplifier_id, of_run.through(member, run, runs.amplifier_index[row])),
        (
            SubjectKind.SWITCH,
            plant.switch_id,
            port.through(port_member, plant.ports.port_index[port_row], plant.ports.switch_index[port_row]),
        ),
        (SubjectKind.PORT, plant.port_id, port),
        (SubjectKind.ENDPOINT, plant.endpoint_id, endpoint),
        (SubjectKind.BLOCK, plant.block_id, of_run.through_all(plant.run_block)),
        (
            SubjectKind.BLOCK,
            plant.block_id,
            of_run.through(
                landing_member, landings.run_index[landing_row], landings.block_index[landing_row]
            ),
        ),
    )
    columns = np.concatenate(
        [
            np.stack([each.member, each.zone, np.full(len(each.member), int(kind)), ids[each.thing]])
            for kind, ids, each in found
        ],
        axis=1,
    )
    return Bearing(*_each_once(columns))


@dataclass(frozen=True)
class _Pairs:
    """A zone of a member and a thing, by index, that bears on it; (k,) each, some perhaps more than once."""

    member: IntArray
    zone: IntArray
    thing: IntArray

    def of_zones(self) -> _Pairs:
        """Those that have both a zone and a thing, each once."""
        known = (self.zone >= 0) & (self.thing >= 0)
        columns = np.stack([self.member[known], self.zone[known], self.thing[known]])
        return _Pairs(*_each_once(columns))

    def through(self, member: IntArray, thing: IntArray, other: IntArray) -> _Pairs:
        """The same zones with what the things lead to: ``other`` (k,) of each ``thing`` on a member's day."""
        width = max(int(thing.max(initial=-1)), int(self.thing.max(initial=-1))) + 1
        real = thing >= 0
        key, other = (member * width + thing)[real], other[real]
        order = np.argsort(key, kind="stable")
        key, other = key[order], other[order]
        wanted = self.member * width + self.thing
        owner, at = expand(np.searchsorted(key, wanted, "left"), np.searchsorted(key, wanted, "right"))
        return _Pairs(self.member[owner], self.zone[owner], other[at]).of_zones()

    def through_all(self, other: IntArray) -> _Pairs:
        """The same zones with what the things lead to on every day: ``other`` (things,)."""
        return _Pairs(self.member, self.zone, other[self.thing]).of_zones()

    def with_more(self, member: IntArray, zone: IntArray, thing: IntArray) -> _Pairs:
        return _Pairs(
            np.concatenate([self.member, member]),
            np.concatenate([self.zone, zone]),
            np.concatenate([self.thing, thing]),
        ).of_zones()


def _each_once(columns: IntArray) -> IntArray:
    """(k, n) the distinct columns of (k, m), sorted by their first row, then their second and so on."""
    ordered = columns[:, np.lexsort(columns[::-1])]
    differs = (ordered[:, 1:] != ordered[:, :-1]).any(axis=0)
    return ordered[:, np.append(True, differs)[: ordered.shape[1]]]
