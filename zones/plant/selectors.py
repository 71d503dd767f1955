"""Makes a ``Plant`` of the record: the whole history of some sites, in a constant number of queries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from typing import Any, Final

import numpy as np
from django.db import connection

from sites.models import Factor
from sites.once import once
from zones.electrical import plant as electrical
from zones.electrical.bands import Factors, IntArray
from zones.electrical.plant import FOREVER, TABLE_OF_KIND, BoolArray, Plant, Table, expand, place_of
from zones.plant import queries
from zones.plant.columns import Columns, fetch_together


def components(count: int, joints: Iterable[tuple[IntArray, IntArray]]) -> IntArray:
    """(count,) by node the lowest node that it is joined with, through however many others.

    joints: pairs of (k,) arrays of nodes that belong together; pairs with −1 on either side join nothing.

    Labels sink along the joints, and every label is then replaced by its own label's until nothing moves:
    halving paths, so a chain of n costs some log n rounds.

    >>> components(5, [(np.array([0, 3, 4]), np.array([1, 4, -1]))]).tolist()
    [0, 0, 2, 3, 3]
    """
    one, other = np.concatenate([np.zeros((2, 0), np.int64), *map(np.stack, joints)], axis=1)
    real = (one >= 0) & (other >= 0)
    one, other = one[real], other[real]
    label = np.arange(count)
    while True:
        lowest = np.minimum(label[one], label[other])
        sunk = label.copy()
        # the nodes' own labels sink, and those of the roots they had: or a component would part from its root
        for nodes in (one, other, label[one], label[other]):
            np.minimum.at(sunk, nodes, lowest)
        while not np.array_equal(sunk, jumped := sunk[sunk]):
            sunk = jumped
        if np.array_equal(sunk, label):
            return label
        label = sunk


def spans(
    thing: IntArray, step: IntArray, first_step: IntArray | int, last_step: IntArray | int
) -> tuple[IntArray, IntArray, BoolArray]:
    """When rows of dated facts hold: from their step until the thing's next row, and only while it stands.

    thing, step, first_step, last_step: (n,) of each row; a thing stands from its first step until before its
    last. Returns begin, end and whether the row ever holds, (n,) each, in the order given.

    >>> begin, end, holds = spans(np.array([7, 7, 8]), np.array([20, 10, 10]), 10, 30)
    >>> begin.tolist(), end.tolist(), holds.all().item()
    ([20, 10, 10], [30, 20, 30], True)
    """
    order = np.lexsort((step, thing))
    following = np.full(len(thing), FOREVER)
    alike = thing[order][1:] == thing[order][:-1]
    following[order[:-1]] = np.where(alike, step[order][1:], FOREVER)
    begin, end = np.maximum(step, first_step), np.minimum(following, last_step)
    return begin, end, begin < end


@once
def read_plant(site_ids: Sequence[int]) -> Plant:
    """Everything that the figures of these sites depend on, on any day, as the transaction sees it.

    ``plant.site_id`` is ascending and leaves out ids of which there is no site. Facts hold from their step
    until the next row of the same thing, and no longer than it stands; what is dated in the future is there
    too: a ``Members`` asks for a step. One query for one site, three for a thousand; to have these agree with
    each other while others write, call it in a REPEATABLE READ transaction.
    """
    return joined(read_columns(site_ids))


def read_columns(site_ids: Sequence[int], within: Mapping[str, str] | None = None) -> dict[str, Columns]:
    """What the tables of a plant are made of, with ids. within: SELECTs by the table that they stand for."""
    read: dict[str, Columns] = {}
    with connection.cursor() as cursor:
        for group in queries.groups_of(len(site_ids)):
            asked = {name: (query, site_ids) for name, query in group.items()}
            read |= fetch_together(cursor, asked, {**(within or {}), **queries.read_ahead(site_ids)})
    for name in _DATED:
        rows = read[name]
        rows["begin"], rows["end"], holds = spans(
            rows["id"], rows["step"], rows["first_step"], rows["last_step"]
        )
        read[name] = _only(rows, holds)
    return read


def joined(read: dict[str, Columns]) -> Plant:
    """The plant of what was read: ids become indices, and what is joined on some day becomes a group."""
    factors = _factors(read.pop("factors"))
    sites = _ascending(read.pop("sites"), "id")
    models = _ascending(read.pop("models"), "model_id")
    cables = _ascending(read.pop("cables"), "cable_id")
    site_id, ids = sites["id"], {"model": models["model_id"], "cable": cables["cable_id"]}
    for columns in read.values():
        columns["site_index"] = place_of(site_id, columns["site"])
    covers = read.pop("covers")
    # nodes to be joined: the things of each kind, then each site's addresses, then what is site-wide
    first_node: dict[str, int] = {}
    site_of_node = np.zeros(0, np.int64)
    for kind, name in _KINDS.items():
        read[name][f"{kind}_index"] = read[name]["id"]
        ids[kind], first = np.unique(read[name]["id"], return_index=True)
        first_node[kind] = len(site_of_node)
        site_of_node = np.append(site_of_node, read[name]["site_index"][first])
    addresses = len(site_of_node)
    site_wide = addresses + len(site_id)
    site_of_node = np.concatenate([site_of_node, np.arange(len(site_id)), np.arange(len(site_id))])
    for columns in read.values():
        for column, values in columns.items():
            kind = column.removesuffix("_index").removeprefix("feed_")
            if column.endswith("_index") and kind in ids:
                columns[column] = place_of(ids[kind], values)

    def nodes(table: str, thing: str) -> IntArray:
        """The nodes of the things that the rows of a table name; −1 for none."""
        index = read[table][f"{thing}_index"]
        return np.where(index >= 0, index + first_node[thing.removeprefix("feed_")], -1)

    def of_things(kind: str, column: str) -> IntArray:
        """(things,) a column that is the same in every row of a thing."""
        out = np.zeros(len(ids[kind]), np.int64)
        out[read[_KINDS[kind]][f"{kind}_index"]] = read[_KINDS[kind]][column]
        return out

    root = components(
        len(site_of_node), [(nodes(table, one), nodes(table, other)) for table, one, other in _JOINTS]
    )
    read["addresses"] = _only(read["endpoints"], read["endpoints"]["address_code"] >= 0)
    first_of = {"addresses": addresses, "zones": site_wide, "paging": site_wide}
    has_rows = [np.arange(addresses)]
    for name, start in first_of.items():
        has_rows.append(start + read[name]["site_index"])
    # numbered site by site
    roots = np.unique(root[np.concatenate(has_rows)])
    roots = roots[np.lexsort((roots, site_of_node[roots]))]
    group = np.full(len(site_of_node), -1)
    group[roots] = np.arange(len(roots))
    group = group[root]

    run_block, block_kind = of_things("run", "block_index"), of_things("block", "kind")
    output_endpoint = of_things("output", "endpoint_index")
    read["outputs"] = _outputs(read["outputs"], _served_since(read["endpoints"], sites["proofs_since"]))
    read["points"] = _at_temperature_of_run(read["points"], read["runs"])
    for name, start in first_of.items():
        read[name]["group"] = group[start + read[name]["site_index"]]
    for name, owner in _OWNERS.items():
        read[name]["group"] = group[nodes(name, owner)]
    read["clips"]["clip_code"] = read["clips"]["id"]
    poe = read["poe_readings"]
    poe["begin"], poe["end"], _ = spans(poe["switch_index"] * 2 + poe["state"], poe["step"], 0, FOREVER)
    point_id = _number_points(read["points"], read["readings"])

    tables: dict[str, Any] = {}
    for name, table in _TABLES.items():
        arrays: dict[str, Any] = {
            field.name: read[name][field.name] > 0 if field.type == "BoolArray" else read[name][field.name]
            for field in fields(table)
        }
        first_array = fields(table)[len(fields(Table))].name
        tables[name] = table(**arrays).ordered(*_ORDER.get(name, (first_array, "begin")))
    tables |= {f"{kind}_id": ids[kind] for kind in _KINDS}
    return Plant(
        site_id=site_id,
        temperature_c=sites["temperature_c"],
        jurisdiction=sites["jurisdiction"],
        surveyed_on=sites["surveyed_on"],
        proofs_since=sites["proofs_since"],
        covers=electrical.Covers(**{f.name: covers[f.name] for f in fields(electrical.Covers)}),
        group_site=site_of_node[roots],
        run_kind=of_things("run", "kind"),
        run_block=run_block,
        run_block_kind=block_kind[run_block],
        output_endpoint=output_endpoint,
        block_kind=block_kind,
        point_id=point_id,
        models=electrical.Models(**models),
        cables=electrical.Cables(**cables | {"category": cables["category"] > 0}),
        factors=factors,
        **tables,
    )


_TABLES: Final[dict[str, type[Table]]] = {
    name: getattr(electrical, str(kind).rpartition(".")[2])
    for name, kind in electrical.Plant.__annotations__.items()
    if str(kind).endswith("Rows")
}
"""The tables of a plant, by name."""
_KINDS: Final = {**TABLE_OF_KIND, "block": "blocks"}
"""The kinds of things, with what is read that has a row of each."""
_JOINTS: Final = (
    ("runs", "run", "supply"), ("runs", "run", "output"), ("runs", "run", "amplifier"),
    ("points", "run", "feed_supply"), ("ports", "port", "switch"), ("endpoints", "endpoint", "port"),
)  # fmt: skip
"""Which tables join things, and of which kinds."""
_OWNERS: Final = {table: name for name, table in TABLE_OF_KIND.items()} | {
    "points": "run", "readings": "run", "proof_tests": "run", "poe_readings": "switch", "landings": "block",
    "clips": "block", "heard": "endpoint",
}  # fmt: skip
"""Tables whose rows are in the group of a thing, and of which kind it is."""
_DATED: Final = (
    "runs", "points", "supplies", "amplifiers", "switches", "ports", "endpoints", "outputs", "landings",
    "clips", "zones", "heard", "paging",
)  # fmt: skip
_ORDER: Final = {
    "points": ("run_index", "point_index", "begin"),
    "landings": ("block_index", "row", "begin"),
    "clips": ("block_index", "row", "begin"),
    "paging": ("set_id", "zone_id"),
}
"""How rows are sorted within a group, where it is not by their first array and time."""


def _factors(changed: Columns) -> Factors:
    if (changed["name"] < 0).any():  # says which one there is not
        return Factors().with_values(dict(Factor.objects.values_list("name", "value")))
    names = (queries.FACTOR_NAMES[place] for place in changed["name"].tolist())
    return Factors().with_values(dict(zip(names, changed["value"].tolist(), strict=True)))


def _only(columns: Columns, chosen: IntArray | BoolArray) -> Columns:
    return {name: column[chosen] for name, column in columns.items()}


def _ascending(columns: Columns, key: str) -> Columns:
    return _only(columns, np.argsort(columns[key]))


def _number_points(points: Columns, readings: Columns) -> IntArray:
    """Number the points in the order of group, run and rank, in every table that names them. Returns their
    ids in that order."""
    order = np.lexsort((points["id"], points["rank"], points["run_index"], points["group"]))
    ids, parents = points["id"][order], points["parent_index"]
    there = ids[np.append(True, ids[1:] != ids[:-1])[: len(ids)]]
    # parents without facts come last: the core reports that they are missing, by their index
    missing = (place_of(np.sort(there), parents) < 0) & (parents >= 0)
    point_id = np.append(there, np.unique(parents[missing]))
    by_id = np.argsort(point_id)
    points["point_index"] = points["id"]
    for columns, name in ((points, "point_index"), (points, "parent_index"), (readings, "point_index")):
        columns[name] = np.append(by_id, -1)[place_of(point_id[by_id], columns[name])]
    return point_id


def _outputs(outputs: Columns, endpoints: Columns) -> Columns:
    """What an output is follows its endpoint's model: one row a stretch of both."""
    order = np.argsort(endpoints["endpoint_index"], kind="stable")
    of_row, wanted = endpoints["endpoint_index"][order], outputs["endpoint_index"]
    start = np.searchsorted(of_row, wanted, side="left")
    stop = np.searchsorted(of_row, wanted, side="right")
    of_output, at = expand(start, np.where(wanted >= 0, stop, start))
    row = order[at]
    columns, own = _only(endpoints, row), _only(outputs, of_output)
    later = own["begin"] > columns["begin"]
    columns |= {
        "output_index": own["output_index"],
        "begin": np.maximum(own["begin"], columns["begin"]),
        "end": np.minimum(own["end"], columns["end"]),
        "changed_by": np.where(later, own["changed_by"], columns["changed_by"]),
    }
    return _only(columns, columns["begin"] < columns["end"])


def _served_since(endpoints: Columns, proofs_since: IntArray) -> Columns:
    """The endpoints' rows without the service of those that were recorded in service before proofs were kept,
    for as long as they stay in service: nobody was asked to prove what is behind them."""
    order = np.lexsort((endpoints["begin"], endpoints["endpoint_index"]))
    index, service = endpoints["endpoint_index"][order], endpoints["service"][order]
    served = service == electrical.Service.IN_SERVICE
    goes_on = np.append(False, (index[1:] == index[:-1]) & served[:-1])[: len(order)] & served
    first = np.flatnonzero(~goes_on)
    recorded = endpoints["served_since"][order]
    if len(order):  # of all that is said of a time in service, what was recorded first
        stays = np.diff(np.append(first, len(order)))
        recorded = np.repeat(np.minimum.reduceat(recorded, first), stays)
    before = served & (recorded < proofs_since[endpoints["site_index"][order]])
    known = endpoints["service"].copy()
    known[order[before]] = -1
    return endpoints | {"service": known}


def _at_temperature_of_run(points: Columns, runs: Columns) -> Columns:
    """The points' rows with their run's own design temperature: where one is recorded, one row a stretch of
    both."""
    run, own = runs["run_index"], runs["design_temperature_c"]
    runs = _only(runs, np.isin(run, run[~np.isnan(own)]))
    runs = _only(runs, np.lexsort((runs["begin"], runs["run_index"])))
    run, degrees = runs["run_index"], np.nan_to_num(runs["design_temperature_c"], nan=-np.inf)
    runs = _only(runs, np.append(True, (run[1:] != run[:-1]) | (degrees[1:] != degrees[:-1]))[: len(run)])
    since, until, _ = spans(runs["run_index"], runs["begin"], 0, FOREVER)
    start = np.searchsorted(runs["run_index"], points["run_index"], side="left")
    stop = np.searchsorted(runs["run_index"], points["run_index"], side="right")
    of_point, at = expand(start, stop)
    known, rest = _only(points, of_point), _only(points, start == stop)
    known |= {
        "begin": np.maximum(known["begin"], since[at]),
        "end": np.minimum(known["end"], until[at]),
        "changed_by": np.where(since[at] > known["begin"], runs["changed_by"][at], known["changed_by"]),
        "design_temperature_c": runs["design_temperature_c"][at],
    }
    known = _only(known, known["begin"] < known["end"])
    rest["design_temperature_c"] = np.full(len(rest["id"]), np.nan)
    return {name: np.concatenate([rest[name], known[name]]) for name in rest}
