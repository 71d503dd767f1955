"""Many copies of groups of a plant, each with readings of its own: to see in one batch what each would tell.

A copy is a site of its own, since readings scale the loads of everything that a plant has.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any, Final, TypeVar

import numpy as np

from .bands import IntArray
from .plant import TABLE_OF_KIND, Members, Plant, ReadingRows, Table, expand

Rows = TypeVar("Rows", bound=Table)
_SITE_WIDE: Final = frozenset({"zones", "paging"})
"""Tables whose rows bear on every group of their site."""
_KINDS: Final = (*TABLE_OF_KIND, "point", "block")


def copies(plant: Plant, group: IntArray, readings: ReadingRows, of_copy: IntArray) -> Plant:
    """A plant of k sites: the n-th has the things of ``group[n]``, and the paging of that group's site.

    group: (k,) groups of ``plant``, each as often as it is to be copied. readings: (r,) rows beside those
    that the plant has, and of_copy: (r,) the copy that each is of. Ids stay those of the record, so they
    repeat from copy to copy; contracts are left out.
    """
    count = len(group)
    site = plant.group_site[group]
    numbers = {kind: len(getattr(plant, f"{kind}_id")) for kind in _KINDS}
    first, last = plant.site_groups[site], plant.site_groups[site + 1]
    tables: dict[str, Table] = {}
    for name, table in plant.tables.items():
        offsets, wide = plant.group_offsets[name], name in _SITE_WIDE
        start, stop = (first, last) if wide else (group, group + 1)
        copy, row = expand(offsets[start], offsets[stop])
        tables[name] = _moved(table.rows(row), copy, numbers, 2 * copy + wide)
    tables["readings"] = _joined(tables["readings"], _moved(readings, of_copy, numbers, 2 * of_copy)).ordered(
        "run_index", "begin", "place", "reading_id"
    )
    every = np.repeat(np.arange(count), numbers["run"])
    outputs = np.repeat(np.arange(count), numbers["output"])
    moved: dict[str, Any] = tables | {
        f"{kind}_id": np.tile(getattr(plant, f"{kind}_id"), count) for kind in _KINDS
    }
    return replace(
        plant,
        site_id=plant.site_id[site],
        temperature_c=plant.temperature_c[site],
        jurisdiction=plant.jurisdiction[site],
        surveyed_on=plant.surveyed_on[site],
        proofs_since=plant.proofs_since[site],
        group_site=np.repeat(np.arange(count), 2),
        run_kind=np.tile(plant.run_kind, count),
        run_block=_shifted(np.tile(plant.run_block, count), every, numbers["block"]),
        run_block_kind=np.tile(plant.run_block_kind, count),
        output_endpoint=_shifted(np.tile(plant.output_endpoint, count), outputs, numbers["endpoint"]),
        block_kind=np.tile(plant.block_kind, count),
        covers=type(plant.covers)(*(values[:0] for values in vars(plant.covers).values())),
        **moved,
    )


def members_of_copies(group: IntArray, step: int) -> Members:
    """One member a copy of ``copies(plant, group, …)``, as of a step."""
    count = np.arange(len(group))
    return Members(count, np.full(len(group), step), 2 * count)


def _moved(rows: Rows, copy: IntArray, numbers: dict[str, int], group: IntArray) -> Rows:
    """Rows with the indexes of their copy. copy, group: (n,) of each row."""
    moved = {"group": group}
    for field in fields(rows):
        kind = field.name.removesuffix("_index").removeprefix("feed_").replace("parent", "point")
        if field.name.endswith("_index") and kind in numbers:
            moved[field.name] = _shifted(getattr(rows, field.name), copy, numbers[kind])
    return replace(rows, **moved)


def _shifted(index: IntArray, copy: IntArray, number: int) -> IntArray:
    return np.where(index >= 0, index + copy * number, -1)


def _joined(one: Table, other: Table) -> Table:
    pairs = zip(vars(one).values(), vars(other).values(), strict=True)
    return type(one)(*map(np.concatenate, pairs))
