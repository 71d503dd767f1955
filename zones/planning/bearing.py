"""What bears on a zone: its runs and what feeds them, back to the switch, on the day of a site's loads."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping

from sites.changes.steps import first_step_after
from sites.models import Output
from sites.selectors import standing
from zones.electrical.bands import IntArray
from zones.electrical.plant import select
from zones.electrical.subjects import SubjectKind
from zones.models import Landing, Run, ZoneEndpoint

from .loads import SiteLoads, Subject


def subjects_of_zones(loads: SiteLoads) -> Mapping[int, set[Subject]]:
    """By zone, everything that bears on it; a zone that nothing feeds is left out. Four queries.

    A speaker that hangs in a zone but on another one's run makes that run, and what feeds it, bear on the
    zone as well: it is silent when they are.
    """
    plant, members = loads.plant, loads.members
    _, run_rows = select(plant, "runs", members)
    _, point_rows = select(plant, "points", members)
    _, endpoint_rows = select(plant, "endpoints", members)
    _, port_rows = select(plant, "ports", members)
    runs, points, endpoints, ports = plant.runs, plant.points, plant.endpoints, plant.ports

    row_of_run = {int(runs.run_index[row]): int(row) for row in run_rows}
    zones_of_run: dict[int, set[int]] = defaultdict(set)
    feeds_of_run: dict[int, set[int]] = defaultdict(set)
    for run, row in row_of_run.items():
        zones_of_run[run].add(int(runs.zone_id[row]))
        feeds_of_run[run].add(int(runs.supply_index[row]))
    special = (points.zone_id[point_rows] >= 0) | (points.feed_supply_index[point_rows] >= 0)
    for row in point_rows[special]:
        zones_of_run[int(points.run_index[row])].add(int(points.zone_id[row]))
        feeds_of_run[int(points.run_index[row])].add(int(points.feed_supply_index[row]))
    port_of = {int(endpoints.endpoint_index[row]): int(endpoints.port_index[row]) for row in endpoint_rows}
    switch_of = {int(ports.port_index[row]): int(ports.switch_index[row]) for row in port_rows}
    index_of_endpoint = {int(pk): index for index, pk in enumerate(plant.endpoint_id)}
    blocks_of, endpoint_of, heard = _of_record(loads)

    found: dict[int, set[Subject]] = defaultdict(set)

    def bears(zone_id: int, kind: SubjectKind, ids: IntArray, indexes: Iterable[int]) -> None:
        found[zone_id] |= {(kind, int(ids[index])) for index in indexes if index >= 0}

    def endpoint_bears(zone_id: int, endpoint_id: int) -> None:
        index = index_of_endpoint.get(endpoint_id, -1)
        port = port_of.get(index, -1)
        bears(zone_id, SubjectKind.ENDPOINT, plant.endpoint_id, [index])
        bears(zone_id, SubjectKind.PORT, plant.port_id, [port])
        bears(zone_id, SubjectKind.SWITCH, plant.switch_id, [switch_of.get(port, -1)])

    for run, row in row_of_run.items():
        run_id, output = int(plant.run_id[run]), int(runs.output_index[row])
        for zone_id in zones_of_run[run] - {-1}:
            found[zone_id].add((SubjectKind.RUN, run_id))
            found[zone_id] |= {(SubjectKind.BLOCK, block_id) for block_id in blocks_of[run_id]}
            bears(zone_id, SubjectKind.SUPPLY, plant.supply_id, feeds_of_run[run])
            bears(zone_id, SubjectKind.AMPLIFIER, plant.amplifier_id, [int(runs.amplifier_index[row])])
            bears(zone_id, SubjectKind.OUTPUT, plant.output_id, [output])
            if output >= 0:
                endpoint_bears(zone_id, endpoint_of[int(plant.output_id[output])])
    for zone_id, endpoint_id in heard:
        endpoint_bears(zone_id, endpoint_id)
    return found


def _of_record(loads: SiteLoads) -> tuple[dict[int, set[int]], dict[int, int], list[tuple[int, int]]]:
    """What a plant does not hold: the blocks of each run, the endpoint of each output, who is heard where.

    A run's own block, and every other that a conductor of it lies on: DC often has a block of its own.
    """
    of_site = {"site_id": loads.site_id}
    step = first_step_after(loads.as_of)
    blocks: dict[int, set[int]] = defaultdict(set)
    landed = standing(Landing, step, **of_site).exclude(run=None)
    for rows in (
        Run.objects.filter(**of_site).values_list("pk", "block_id"),
        landed.values_list("run_id", "block_id").distinct(),
    ):
        for run_id, block_id in rows:
            blocks[run_id].add(block_id)
    heard = standing(ZoneEndpoint, step, **of_site)
    return (
        blocks,
        dict(Output.objects.filter(**of_site).values_list("pk", "endpoint_id")),
        list(heard.values_list("zone_id", "endpoint_id")),
    )
