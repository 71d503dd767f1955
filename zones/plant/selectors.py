"""From the record to a ``Plant``: the whole history of some sites, in a constant number of queries."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields
from functools import partial
from typing import Any, Final, TypeVar

import numpy as np
from django.db import connection

from sites.models import Factor
from zones.electrical import plant as electrical
from zones.electrical.bands import Factors, IntArray
from zones.electrical.plant import FOREVER, BoolArray, Plant, PointKind, Table, expand
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
    both = [np.stack(pair) for pair in joints]
    one, other = np.concatenate([np.zeros((2, 0), np.int64), *both], axis=1)
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
    thing: IntArray, step: IntArray, first_step: IntArray, last_step: IntArray
) -> tuple[IntArray, IntArray, BoolArray]:
    """When rows of dated facts hold: from their step until the thing's next row, and only while it stands.

    thing, step, first_step, last_step: (n,) of each row; a thing stands from its first step until before its
    last. Returns begin, end and whether the row ever holds, (n,) each, in the order given.

    >>> begin, end, holds = spans(np.array([7, 7, 8]), np.array([20, 10, 10]), np.full(3, 10), np.full(3, 30))
    >>> begin.tolist(), end.tolist(), holds.all().item()
    ([20, 10, 10], [30, 20, 30], True)
    """
    order = np.lexsort((step, thing))
    following = np.full(len(thing), FOREVER)
    alike = thing[order][1:] == thing[order][:-1]
    following[order[:-1]] = np.where(alike, step[order][1:], FOREVER)
    begin, end = np.maximum(step, first_step), np.minimum(following, last_step)
    return begin, end, begin < end


def place_of(ids: IntArray, wanted: IntArray) -> IntArray:
    """(n,) where each of ``wanted`` stands in ``ids`` (ascending); −1 where it does not.

    >>> place_of(np.array([4, 9]), np.array([9, -1, 5])).tolist()
    [1, -1, -1]
    """
    if not len(ids):
        return np.full(len(wanted), -1)
    place = np.minimum(np.searchsorted(ids, wanted), len(ids) - 1)
    return np.where(ids[place] == wanted, place, -1)


T = TypeVar("T", bound=Table)


def read_plant(site_ids: Sequence[int]) -> Plant:
    """Everything that the figures of these sites depend on, on whatever day, as the transaction sees it.

    ``plant.site_id`` is ascending and leaves out ids of which there is no site. Facts hold from their step
    until the next row of the same thing, and no longer than it stands; what is dated in the future is there
    too: a ``Members`` asks for a step. Five queries, for one site or a thousand. To have them agree with
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
        self.read: dict[str, Columns] = {}
        for together in queries.TOGETHER:
            self.read |= fetch_together(cursor, {name: (query, site_ids) for name, query in together.items()})
        sites = self.read.pop("sites")
        order = np.argsort(sites["id"])
        self.site_id: IntArray = sites["id"][order]
        self.temperature_c = sites["temperature_c"][order]
        self.nodes = 0
        self.site_of_node: list[IntArray] = []
        self.index: dict[str, Callable[[IntArray], IntArray]] = {}
        """By what an array's name begins with (``run_index``), the index of each of some ids."""
        for columns in self.read.values():
            columns["site_index"] = place_of(self.site_id, columns["site"])
        for name, table in (_KINDS | {"point": "points"}).items():
            self.read[table][f"{name}_index"] = self.read[table]["id"]
        for name in _DATED:
            self.read[name] = _holding(self.read[name], "zone_id" if name == "paging" else "")

    def plant(self, factors: Factors) -> Plant:
        read = self.read
        models, cables = self.catalogue()
        kinds = {name: self.kind(name, read[table]) for name, table in _KINDS.items()}
        run, endpoint, block = (kinds[name] for name in ("run", "endpoint", "block"))
        self.index["feed_supply"] = self.index["supply"]
        everywhere = np.arange(len(self.site_id))
        addresses, site_wide = self.more_nodes(everywhere), self.more_nodes(everywhere)

        def joint(table: str, one: str, other: str) -> tuple[IntArray, IntArray]:
            """The nodes that the rows of a table join: of the things in two of its columns."""
            return tuple(  # type: ignore[return-value]
                kinds[name.removeprefix("feed_")].node(self.index[name](read[table][f"{name}_index"]))
                for name in (one, other)
            )

        root = components(
            self.nodes,
            [
                joint("runs", "run", "supply"),
                joint("runs", "run", "output"),
                joint("runs", "run", "amplifier"),
                joint("points", "run", "feed_supply"),
                joint("ports", "port", "switch"),
                joint("endpoints", "endpoint", "port"),
            ],
        )
        with_address = read["endpoints"]["address_code"] >= 0
        read["addresses"] = {name: column[with_address] for name, column in read["endpoints"].items()}
        wide = [read[name]["site_index"] for name in ("zones", "paging")]
        group, group_site = self.groups(root, has_rows=np.concatenate([
            np.arange(addresses),
            addresses + np.unique(read["addresses"]["site_index"]),
            site_wide + np.unique(np.concatenate(wide)),
        ]))  # fmt: skip

        read["points"] |= _counts(read["points"])
        of_point = group[run.node(run.index(read["points"]["run_index"]))]
        point_id = self.ranked(read["points"], of_point)
        of_outputs = endpoint.index(read["outputs"]["endpoint"])
        output_endpoint = _of_things(kinds["output"], read["outputs"] | {"endpoint": of_outputs}, "endpoint")
        read["outputs"] = _outputs(read["outputs"], read["endpoints"], endpoint)
        for name, first in (("addresses", addresses), ("zones", site_wide), ("paging", site_wide)):
            read[name]["group"] = group[first + read[name]["site_index"]]
        read["readings"] |= {"begin": read["readings"]["step"]}
        read["readings"]["end"] = np.full(len(read["readings"]["step"]), FOREVER)
        read["poe_readings"] |= _until_the_next(read["poe_readings"])
        for name, owner in _OWNERS.items():
            kind = kinds[owner]
            read[name]["group"] = group[kind.node(kind.index(read[name][f"{owner}_index"]))]

        ids: dict[str, Any] = {f"{name}_id": kind.ids for name, kind in kinds.items()}
        tables: dict[str, Any] = {name: self.table(table, name) for name, table in TABLES.items()}
        return Plant(
            site_id=self.site_id,
            temperature_c=self.temperature_c,
            group_site=group_site,
            run_kind=_of_things(run, read["runs"], "kind"),
            run_block=block.index(_of_things(run, read["runs"], "block")),
            run_block_kind=_of_things(run, read["runs"], "block_kind"),
            output_endpoint=output_endpoint,
            point_id=point_id,
            models=electrical.Models(**models),
            cables=electrical.Cables(**cables | {"category": cables["category"] > 0}),
            factors=factors,
            **ids,
            **tables,
        )

    def table(self, table: type[T], name: str) -> T:
        """A table of the plant from the columns of its arrays' names: ids become indices."""
        columns = self.read[name]
        arrays: dict[str, Any] = {}
        for field in fields(table):
            values = columns[field.name]
            if field.name.endswith("_index"):
                values = self.index[field.name.removesuffix("_index")](values)
            arrays[field.name] = values > 0 if field.type == "BoolArray" else values
        return table(**arrays).ordered(*_ORDER.get(name, (fields(table)[len(fields(Table))].name, "begin")))

    def catalogue(self) -> tuple[Columns, Columns]:
        """The models and the cable types that are named, each ascending by id; of −1 (none) there is none."""
        wanted = {
            "model": (queries.MODELS, [self.read["points"]["model_index"]]),
            "cable": (queries.CABLES, [self.read[name]["cable_index"] for name in ("points", "endpoints")]),
        }
        found = fetch_together(
            self.cursor,
            {name: (query, np.unique(np.concatenate(ids))) for name, (query, ids) in wanted.items()},
        )
        for name, columns in found.items():
            order = np.argsort(columns[f"{name}_id"])
            found[name] = {column: values[order] for column, values in columns.items()}
            self.index[name] = partial(place_of, found[name][f"{name}_id"])
        return found["model"], found["cable"]

    def kind(self, name: str, columns: Columns) -> _Kind:
        ids, first = np.unique(columns["id"], return_index=True)
        site = columns["site_index"][first]
        made = _Kind(ids, site, self.more_nodes(site))
        self.index[name] = made.index
        return made

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

    def ranked(self, points: Columns, group: IntArray) -> IntArray:
        """Number the points in the order of group, run and rank. Returns their ids in that order."""
        run_index = self.index["run"](points["run_index"])
        order = np.lexsort((points["id"], points["rank"], run_index, group))
        ids = points["id"][order]
        point_id = ids[np.append(True, ids[1:] != ids[:-1])[: len(ids)]]
        # parents without facts come last: the core says that they are not there, by their index
        absent = np.setdiff1d(points["parent_index"][points["parent_index"] >= 0], point_id)
        point_id = np.concatenate([point_id, absent])
        by_id = np.argsort(point_id)
        ascending = point_id[by_id]
        self.index["point"] = lambda wanted: np.append(by_id, -1)[place_of(ascending, wanted)]
        self.index["parent"] = self.index["point"]
        return point_id


TABLES: Final[dict[str, type[Table]]] = {
    name: getattr(electrical, str(kind).rpartition(".")[2])
    for name, kind in electrical.Plant.__annotations__.items()
    if str(kind).endswith("Rows")
}
"""The tables of a plant, by name."""
_KINDS: Final = {
    "run": "runs", "supply": "supplies", "output": "outputs", "amplifier": "amplifiers",
    "switch": "switches", "port": "ports", "endpoint": "endpoints", "block": "blocks",
}  # fmt: skip
"""The kinds of things, with the table that has a row of each."""
_OWNERS: Final = {table: name for name, table in _KINDS.items() if name != "block"} | {
    "points": "run", "readings": "run", "poe_readings": "switch", "landings": "block", "heard": "endpoint",
}  # fmt: skip
"""Tables whose rows are in the group of a thing, and of which kind it is."""
_DATED: Final = (
    "runs", "points", "supplies", "amplifiers", "switches", "ports", "endpoints", "outputs", "landings",
    "zones", "heard", "paging",
)  # fmt: skip
_ORDER: Final = {
    "points": ("run_index", "point_index", "begin"),
    "landings": ("block_index", "row", "begin"),
    "paging": ("set_id", "zone_id"),
}
"""How rows are sorted within a group, where it is not by their first array and time."""


def _holding(columns: Columns, also: str) -> Columns:
    """The rows that ever hold, with ``begin`` and ``end``. also: a column that, with the id, says what a row
    is of, where the id alone does not."""
    key = columns["id"]
    if also:
        key = np.unique(np.stack([key, columns[also]]), axis=1, return_inverse=True)[1].ravel()
    begin, end, holds = spans(key, columns["step"], columns["first_step"], columns["last_step"])
    return {name: column[holds] for name, column in (columns | {"begin": begin, "end": end}).items()}


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


def _outputs(outputs: Columns, endpoints: Columns, endpoint: _Kind) -> Columns:
    """What an output is follows its endpoint's model: one row a stretch of both."""
    of_row = endpoint.index(endpoints["id"])
    order = np.argsort(of_row, kind="stable")
    wanted = endpoint.index(outputs["endpoint"])
    start = np.searchsorted(of_row[order], wanted, side="left")
    stop = np.searchsorted(of_row[order], wanted, side="right")
    of_output, at = expand(start, np.where(wanted >= 0, stop, start))
    row = order[at]
    later = outputs["begin"][of_output] > endpoints["begin"][row]
    columns = {name: column[row] for name, column in endpoints.items()} | {
        "output_index": outputs["id"][of_output],
        "begin": np.maximum(outputs["begin"][of_output], endpoints["begin"][row]),
        "end": np.minimum(outputs["end"][of_output], endpoints["end"][row]),
        "changed_by": np.where(later, outputs["changed_by"][of_output], endpoints["changed_by"][row]),
    }
    return {name: column[columns["begin"] < columns["end"]] for name, column in columns.items()}


def _until_the_next(readings: Columns) -> Columns:
    """A reading of PoE power holds until the next of its switch and state."""
    ever, forever = np.zeros(len(readings["step"]), np.int64), np.full(len(readings["step"]), FOREVER)
    key = readings["switch_index"] * 2 + readings["state"]
    begin, end, _ = spans(key, readings["step"], ever, forever)
    return {"begin": begin, "end": end}
