"""From the record to a ``Plant``: the whole history of some sites, in a constant number of queries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from django.db import connection

from sites.models import Factor
from zones.electrical import plant as electrical
from zones.electrical.bands import Factors, IntArray
from zones.electrical.plant import FOREVER, Plant, PointKind, Table, expand
from zones.plant import queries
from zones.plant.columns import Columns, Query, fetch
from zones.plant.grouping import components, place_of, spans

T = TypeVar("T", bound=Table)


def read_plant(site_ids: Sequence[int]) -> Plant:
    """Everything that the figures of these sites depend on, on whatever day, as the transaction sees it.

    ``plant.site_id`` is ascending and leaves out ids of which there is no site. Facts hold from their step
    until the next row of the same thing, and no longer than it stands; what is dated in the future is there
    too: a ``Members`` asks for a step. Eighteen queries, for one site or a thousand. To have them agree with
    each other while others write, call it in a REPEATABLE READ transaction.
    """
    factors = Factors().with_values(dict(Factor.objects.values_list("name", "value")))
    with connection.cursor() as cursor:
        return _Reading(cursor, site_ids).plant(factors)


@dataclass(frozen=True)
class _Kind:
    """The things of one kind: ids ascending, the site of each, and its first number among all nodes."""

    ids: IntArray
    site: IntArray
    first_node: int

    def index(self, wanted: IntArray) -> IntArray:
        return place_of(self.ids, wanted)

    def node(self, index: IntArray) -> IntArray:
        return np.where(index >= 0, index + self.first_node, -1)


class _Reading:
    """One reading of the record, table by table, and the joining of what was read."""

    def __init__(self, cursor: Any, site_ids: Sequence[int]) -> None:
        self.cursor = cursor
        sites = fetch(cursor, queries.SITES, site_ids)
        order = np.argsort(sites["id"])
        self.site_id: IntArray = sites["id"][order]
        self.temperature_c = sites["temperature_c"][order]
        self.nodes = 0
        self.site_of_node: list[IntArray] = []

    def plant(self, factors: Factors) -> Plant:
        runs, points = self.dated(queries.RUNS), self.dated(queries.POINTS)
        supplies, amplifiers = self.dated(queries.SUPPLIES), self.dated(queries.AMPLIFIERS)
        switches, ports = self.dated(queries.SWITCHES), self.dated(queries.PORTS)
        endpoints = self.dated(queries.ENDPOINTS)
        outputs, blocks = self.dated(queries.OUTPUTS), self.fetch(queries.BLOCKS)
        landings, zones = self.dated(queries.LANDINGS), self.dated(queries.ZONES)
        paging = self.dated(queries.PAGING, thing="zone")
        readings, poe_readings = self.fetch(queries.READINGS), self.fetch(queries.POE_READINGS)
        models, model_index = self.catalogue(queries.MODELS, "model_id", points["model"])
        cables, cable_index = self.catalogue(
            queries.CABLES, "cable_id", np.concatenate([points["cable"], endpoints["cable"]])
        )

        run, supply, output = self.kind(runs), self.kind(supplies), self.kind(outputs)
        amplifier, switch, port = self.kind(amplifiers), self.kind(switches), self.kind(ports)
        endpoint, block = self.kind(endpoints), self.kind(blocks)
        everywhere = np.arange(len(self.site_id))
        addresses, site_wide = self.more_nodes(everywhere), self.more_nodes(everywhere)

        of_run, of_point = run.index(runs["id"]), run.index(points["run"])
        root = components(
            self.nodes,
            [
                (run.node(of_run), supply.node(supply.index(runs["supply"]))),
                (run.node(of_run), output.node(output.index(runs["output"]))),
                (run.node(of_run), amplifier.node(amplifier.index(runs["amplifier"]))),
                (run.node(of_point), supply.node(supply.index(points["feed_supply"]))),
                (port.node(port.index(ports["id"])), switch.node(switch.index(ports["switch"]))),
                (endpoint.node(endpoint.index(endpoints["id"])), port.node(port.index(endpoints["port"]))),
            ],
        )
        group, group_site = self.groups(root, has_rows=np.concatenate([
            np.arange(addresses),
            addresses + np.unique(endpoints["site_index"][endpoints["address"] >= 0]),
            site_wide + np.unique(np.concatenate([zones["site_index"], paging["site_index"]])),
        ]))  # fmt: skip

        points["group"] = group[run.node(of_point)]
        point_id, points["point"] = _ranked(points, of_point)
        by_id = np.argsort(point_id)
        without_place = place_of(point_id[by_id], points["parent"]) < 0
        absent = np.unique(points["parent"][without_place & (points["parent"] >= 0)])
        if len(absent):  # parents without facts: the core says so, by their index
            point_id = np.concatenate([point_id, absent])
            by_id = np.argsort(point_id)

        def point_index(wanted: IntArray) -> IntArray:
            return np.append(by_id, -1)[place_of(point_id[by_id], wanted)]

        outputs = _outputs(outputs, endpoints, endpoint)
        of_output = output.index(outputs["id"])
        with_address = endpoints["address"] >= 0

        return Plant(
            site_id=self.site_id,
            temperature_c=self.temperature_c,
            group_site=group_site,
            run_id=run.ids,
            run_kind=_of_things(run, runs, "kind"),
            run_block_kind=_of_things(run, runs, "block_kind"),
            point_id=point_id,
            supply_id=supply.ids,
            output_id=output.ids,
            amplifier_id=amplifier.ids,
            switch_id=switch.ids,
            port_id=port.ids,
            endpoint_id=endpoint.ids,
            block_id=block.ids,
            models=electrical.Models(**models),
            cables=electrical.Cables(**cables | {"category": cables["category"] > 0}),
            factors=factors,
            runs=_rows(
                electrical.RunRows,
                runs,
                group[run.node(of_run)],
                run_index=of_run,
                zone_id=runs["zone"],
                supply_index=supply.index(runs["supply"]),
                output_index=output.index(runs["output"]),
                amplifier_index=amplifier.index(runs["amplifier"]),
            ).ordered("run_index", "begin"),
            points=_rows(
                electrical.PointRows,
                points | _counts(points),
                points["group"],
                run_index=of_point,
                point_index=points["point"],
                parent_index=point_index(points["parent"]),
                model_index=model_index(points["model"]),
                cable_index=cable_index(points["cable"]),
                negative_cut=points["negative_cut"] > 0,
                zone_id=points["zone"],
                feed_supply_index=supply.index(points["feed_supply"]),
            ).ordered("run_index", "point_index", "begin"),
            supplies=_own_rows(electrical.SupplyRows, supplies, supply, "supply_index", group),
            outputs=_rows(
                electrical.OutputRows, outputs, group[output.node(of_output)], output_index=of_output
            ).ordered("output_index", "begin"),
            amplifiers=_own_rows(electrical.AmplifierRows, amplifiers, amplifier, "amplifier_index", group),
            switches=_own_rows(electrical.SwitchRows, switches, switch, "switch_index", group),
            ports=_own_rows(
                electrical.PortRows,
                ports | {"other_load": ports["other_load"] > 0},
                port,
                "port_index",
                group,
                switch_index=switch.index(ports["switch"]),
            ),
            endpoints=_own_rows(
                electrical.EndpointRows,
                endpoints | {"over_cable": endpoints["over_cable"] > 0},
                endpoint,
                "endpoint_index",
                group,
                port_index=port.index(endpoints["port"]),
                cable_index=cable_index(endpoints["cable"]),
            ),
            poe_readings=_poe_readings(poe_readings, switch, group),
            landings=_rows(
                electrical.LandingRows,
                landings | {"field_side": landings["field_side"] > 0},
                group[block.node(block.index(landings["block"]))],
                block_index=block.index(landings["block"]),
            ).ordered("block_index", "row", "begin"),
            zones=_rows(
                electrical.ZoneRows, zones, group[site_wide + zones["site_index"]], zone_id=zones["id"]
            ).ordered("zone_id", "begin"),
            addresses=_rows(
                electrical.AddressRows,
                {name: column[with_address] for name, column in endpoints.items()},
                group[addresses + endpoints["site_index"][with_address]],
                endpoint_index=endpoint.index(endpoints["id"][with_address]),
                address_code=endpoints["address"][with_address],
            ).ordered("endpoint_index", "begin"),
            paging=_rows(
                electrical.PagingRows,
                paging,
                group[site_wide + paging["site_index"]],
                set_id=paging["id"],
                zone_id=paging["zone"],
            ).ordered("set_id", "zone_id"),
            readings=_rows(
                electrical.ReadingRows,
                readings | {"begin": readings["step"], "end": np.full(len(readings["step"]), FOREVER)},
                group[run.node(run.index(readings["run"]))],
                run_index=run.index(readings["run"]),
                reading_id=readings["id"],
                point_index=point_index(readings["point"]),
            ).ordered("run_index", "begin"),
        )

    def fetch(self, query: Query) -> Columns:
        columns = fetch(self.cursor, query, self.site_id)
        columns["site_index"] = place_of(self.site_id, columns["site"])
        return columns

    def dated(self, query: Query, *, thing: str = "") -> Columns:
        """The rows that ever hold, with ``begin`` and ``end``. thing: a column that, with the id, says what
        a row is of, where the id alone does not."""
        columns = self.fetch(query)
        key = columns["id"]
        if thing:
            key = np.unique(np.stack([key, columns[thing]]), axis=1, return_inverse=True)[1].ravel()
        begin, end, holds = spans(key, columns["step"], columns["first_step"], columns["last_step"])
        return {name: column[holds] for name, column in (columns | {"begin": begin, "end": end}).items()}

    def catalogue(self, query: Query, key: str, wanted: IntArray) -> tuple[Columns, Any]:
        """The catalogue rows that are ``wanted``, ascending, and a function from their ids to positions."""
        columns = fetch(self.cursor, query, np.unique(wanted[wanted >= 0]))
        order = np.argsort(columns[key])
        columns = {name: column[order] for name, column in columns.items()}
        return columns, lambda ids: place_of(columns[key], ids)

    def kind(self, columns: Columns) -> _Kind:
        ids, first = np.unique(columns["id"], return_index=True)
        site = columns["site_index"][first]
        return _Kind(ids, site, self.more_nodes(site))

    def more_nodes(self, site: IntArray) -> int:
        first = self.nodes
        self.site_of_node.append(site)
        self.nodes += len(site)
        return first

    def groups(self, root: IntArray, *, has_rows: IntArray) -> tuple[IntArray, IntArray]:
        """Number the groups site by site. Returns (nodes,) the group of each node, −1 for nodes that no row
        is of, and (groups,) the site of each."""
        site = np.concatenate([np.zeros(0, np.int64), *self.site_of_node])
        roots = np.unique(root[has_rows])
        roots = roots[np.lexsort((roots, site[roots]))]
        number = np.full(self.nodes, -1)
        number[roots] = np.arange(len(roots))
        return number[root], site[roots]


def _rows(table: type[T], columns: Columns, group: IntArray, **more: Any) -> T:
    names = table.__dataclass_fields__
    given = {name: column for name, column in columns.items() if name in names} | more | {"group": group}
    return table(**given)


def _own_rows(
    table: type[T], columns: Columns, kind: _Kind, own_index: str, group: IntArray, **more: Any
) -> T:
    """Rows of facts about the things of a kind, sorted by thing and time."""
    index = kind.index(columns["id"])
    return _rows(table, columns, group[kind.node(index)], **{own_index: index}, **more).ordered(
        own_index, "begin"
    )


def _of_things(kind: _Kind, columns: Columns, name: str) -> IntArray:
    """(things,) a column that is the same in every row of a thing."""
    out = np.zeros(len(kind.ids), np.int64)
    out[kind.index(columns["id"])] = columns[name]
    return out


def _counts(points: Columns) -> Columns:
    """How many devices hang at each point: an uncounted group's range, one device, none at a splice."""
    kind = points["kind"]
    return {
        name: np.where(
            kind == PointKind.UNCOUNTED_GROUP, points[name], np.where(kind == PointKind.DEVICE, 1.0, 0.0)
        )
        for name in ("count_low", "count_likely", "count_high")
    }


def _ranked(points: Columns, run_index: IntArray) -> tuple[IntArray, IntArray]:
    """Number the points in the order of group, run and rank. Returns ids by point, and index by row."""
    order = np.lexsort((points["id"], points["rank"], run_index, points["group"]))
    ids = points["id"][order]
    first = np.append(True, ids[1:] != ids[:-1])[: len(ids)]
    index = np.empty(len(ids), np.int64)
    index[order] = np.cumsum(first) - 1
    return ids[first], index


def _outputs(outputs: Columns, endpoints: Columns, endpoint: _Kind) -> Columns:
    """What an output is follows its endpoint's model: one row a stretch of both."""
    of_row = endpoint.index(endpoints["id"])
    order = np.argsort(of_row, kind="stable")
    wanted = endpoint.index(outputs["endpoint"])
    start = np.searchsorted(of_row[order], wanted, side="left")
    stop = np.searchsorted(of_row[order], wanted, side="right")
    of_output, at = expand(start, np.where(wanted >= 0, stop, start))
    row = order[at]
    begin = np.maximum(outputs["begin"][of_output], endpoints["begin"][row])
    end = np.minimum(outputs["end"][of_output], endpoints["end"][row])
    later = outputs["begin"][of_output] > endpoints["begin"][row]
    columns = {
        "id": outputs["id"][of_output],
        "begin": begin,
        "end": end,
        "changed_by": np.where(later, outputs["changed_by"][of_output], endpoints["changed_by"][row]),
        "impedance_ohm": endpoints["output_impedance_ohm"][row],
        "level_v": endpoints["output_level_v"][row],
        "speakers_max": endpoints["output_speakers_max"][row],
    }
    return {name: column[begin < end] for name, column in columns.items()}


def _poe_readings(columns: Columns, switch: _Kind, group: IntArray) -> electrical.PoeReadingRows:
    """Each holds until the next of its switch and state."""
    index = switch.index(columns["switch"])
    ever, forever = np.zeros(len(index), np.int64), np.full(len(index), FOREVER)
    begin, end, _ = spans(index * 2 + columns["state"], columns["step"], ever, forever)
    return _rows(
        electrical.PoeReadingRows,
        columns | {"begin": begin, "end": end},
        group[switch.node(index)],
        switch_index=index,
        reading_id=columns["id"],
    ).ordered("switch_index", "begin")
