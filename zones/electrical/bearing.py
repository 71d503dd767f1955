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
    runs, points, landings, ports = plant.runs, plant.points, plant.landings, plant.ports

    special = (points.zone_id[point_row] >= 0) | (points.feed_supply_index[point_row] >= 0)
    point_member, point_row = point_member[special], point_row[special]
    of_point = points.run_index[point_row]
    run = runs.run_index[row]
    # every run of a zone, by the run's own facts and by those of its points
    of_run = _each_once(
        np.stack([member, runs.zone_id[row], run]),
        np.stack([point_member, points.zone_id[point_row], of_point]),
    )
    output = _through(of_run, member, run, runs.output_index[row])
    endpoint = _each_once(
        np.stack([*output[:2], plant.output_endpoint[output[2]]]),
        np.stack([heard_member, plant.heard.zone_id[heard_row], plant.heard.endpoint_index[heard_row]]),
    )
    of_end = plant.endpoints.endpoint_index[end_row]
    port = _through(endpoint, end_member, of_end, plant.endpoints.port_index[end_row])
    switch = _through(port, port_member, ports.port_index[port_row], ports.switch_index[port_row])
    of_landing, block = landings.run_index[landing_row], landings.block_index[landing_row]
    columns = []
    for kind, ids, (of_member, zone, thing) in (
        (SubjectKind.RUN, plant.run_id, of_run),
        (SubjectKind.OUTPUT, plant.output_id, output),
        (SubjectKind.SUPPLY, plant.supply_id, _through(of_run, member, run, runs.supply_index[row])),
        (
            SubjectKind.SUPPLY,
            plant.supply_id,
            _through(of_run, point_member, of_point, points.feed_supply_index[point_row]),
        ),
        (SubjectKind.AMPLIFIER, plant.amplifier_id, _through(of_run, member, run, runs.amplifier_index[row])),
        (SubjectKind.SWITCH, plant.switch_id, switch),
        (SubjectKind.PORT, plant.port_id, port),
        (SubjectKind.ENDPOINT, plant.endpoint_id, endpoint),
        (
            SubjectKind.BLOCK,
            plant.block_id,
            _each_once(np.stack([*of_run[:2], plant.run_block[of_run[2]]])),
        ),
        (SubjectKind.BLOCK, plant.block_id, _through(of_run, landing_member, of_landing, block)),
    ):
        columns.append(np.stack([of_member, zone, np.full(len(zone), int(kind)), ids[thing]]))
    return Bearing(*_each_once(*columns))


def _each_once(*columns: IntArray) -> IntArray:
    """The distinct columns of some (k, n) arrays together, sorted by their first row, then their second and
    so on; those with −1 (no zone, no thing) are left out."""
    together = np.concatenate(columns, axis=1)
    together = together[:, (together >= 0).all(axis=0)]
    ordered = together[:, np.lexsort(together[::-1])]
    differs = (ordered[:, 1:] != ordered[:, :-1]).any(axis=0)
    return ordered[:, np.append(True, differs)[: ordered.shape[1]]]


def _through(pairs: IntArray, member: IntArray, thing: IntArray, other: IntArray) -> IntArray:
    """The same zones with what the things lead to.

    pairs: (3, n) member, zone and the thing that bears on it. other: (k,) what each ``thing`` (k,) leads to
    on the day of its ``member`` (k,).
    """
    width = max(int(thing.max(initial=-1)), int(pairs[2].max(initial=-1))) + 1
    real = thing >= 0
    key, other = (member * width + thing)[real], other[real]
    order = np.argsort(key, kind="stable")
    key, other = key[order], other[order]
    wanted = pairs[0] * width + pairs[2]
    owner, at = expand(np.searchsorted(key, wanted, "left"), np.searchsorted(key, wanted, "right"))
    return _each_once(np.stack([*pairs[:2, owner], other[at]]))
