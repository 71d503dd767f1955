"""What was changed at a step, read off the rows that begin or end there.

Pure: a ``ChangeAtStep`` holds ids and values; ``wording`` renders it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from fnmatch import fnmatchcase
from functools import cache
from typing import Any, Final, NamedTuple

import numpy as np

from zones.electrical.plant import BoolArray, Plant, PointKind, Table

from .change_types import CHANGE_TYPES

THINGS: Final = {
    "runs": "run_index",
    "points": "point_index",
    "supplies": "supply_index",
    "outputs": "output_index",
    "amplifiers": "amplifier_index",
    "switches": "switch_index",
    "ports": "port_index",
    "endpoints": "endpoint_index",
    "addresses": "endpoint_index",
}
"""Tables whose rows are those of one thing, and the column that says which."""

Rows = dict[str, BoolArray]
"""By table name: (rows,) True for those that are meant."""


class Reference(NamedTuple):
    """One thing or catalogue entry of the record, to be named when it is rendered: a key of
    ``zones.subjects.look_up``."""

    kind: str
    id: int


@dataclass(frozen=True)
class ChangeAtStep:
    """One kind of change, how often it was made.

    type: a name of ``CHANGE_TYPES``. count: how many devices, segments or things. device_kind, model: what
    kind of device, where it is about devices. thing: what was changed, where that is one thing. before,
    after: values in the unit of the type, or references; None: not recorded, or not there.
    """

    type: str
    count: float = 1.0
    device_kind: int = 0
    model: Reference | None = None
    thing: Reference | None = None
    before: float | Reference | None = None
    after: float | Reference | None = None

    def references(self) -> Iterator[Reference]:
        for value in (self.model, self.thing, self.before, self.after):
            if isinstance(value, Reference):
                yield value

    def as_record(self) -> dict[str, Any]:
        """The change as JSON, without what is as it would be anyway; a reference is its kind and id."""
        values = {f.name: getattr(self, f.name) for f in fields(self) if getattr(self, f.name) != f.default}
        return {
            name: [value.kind, value.id] if isinstance(value, Reference) else value
            for name, value in values.items()
        }

    @classmethod
    def of_record(cls, record: Mapping[str, Any]) -> ChangeAtStep:
        values: dict[str, Any] = {
            name: Reference(*value) if isinstance(value, list) else value for name, value in record.items()
        }
        return cls(**values)


@dataclass(frozen=True)
class _Watch:
    """An alteration of a table's rows: made where one of the columns differs whose name fits a pattern. The
    first of them is the value that is named; ``refers_to``: the kind of thing it is the index of."""

    table: str
    patterns: str
    type: str
    refers_to: str = ""


_WATCHES: Final = (
    _Watch("runs", "supply_index", "run_supply", "supply"),
    _Watch("runs", "output_index", "run_output", "output"),
    _Watch("runs", "amplifier_index", "run_amplifier", "amplifier"),
    _Watch("runs", "fuse_rating_a fuse_*", "run_fuse"),
    _Watch("runs", "zone_id", "run_zone", "zone"),
    _Watch("points", "tap_*", "tap_changed"),
    _Watch("points", "*_current_a current_basis", "current_changed"),
    _Watch("points", "feed_supply_index", "point_supply", "supply"),
    _Watch("points", "zone_id", "point_zone", "zone"),
    _Watch("points", "*_pairs", "segment_pairs"),
    _Watch("points", "cable_index", "segment_cable", "cable"),
    _Watch("points", "length_*", "segment_length"),
    _Watch("points", "parent_index", "segment_rerouted"),
    _Watch("points", "*_cut", "negative_cut"),
    _Watch("supplies", "*", "supply_replaced"),
    _Watch("outputs", "*", "output_changed"),
    _Watch("amplifiers", "*", "amplifier_replaced"),
    _Watch("switches", "budget_w power_supplies_max", "switch_budget"),
    _Watch("switches", "budget_one_lost_w", "switch_budget_one_lost"),
    _Watch("switches", "power_supply_count", "switch_supplies"),
    _Watch("switches", "port_type", "switch_port_type"),
    _Watch("switches", "usage_threshold", "switch_threshold"),
    _Watch("ports", "port_type", "port_type"),
    _Watch("ports", "other_power_w other_class", "port_changed"),
    _Watch("endpoints", "port_index over_cable", "endpoint_moved", "port"),
    _Watch("endpoints", "poe_class *_w", "endpoint_power"),
    _Watch("endpoints", "length_* cable_index", "endpoint_cable"),
    _Watch("addresses", "address_code", "address_set"),
)
# What is not named as well where a bigger change explains it
_IMPLIED: Final = {
    "switch_budget": ("switch_budget_one_lost",),
    "device_swapped": ("current_changed", "tap_changed"),
    "device_added": ("run_added",),
    "uncounted_added": ("run_added",),
}
_COMES_AND_GOES: Final = {"runs", "supplies", "amplifiers", "switches", "endpoints"}
_COUNTED_EVENTS: Final = {  # tables whose rows begin and end and are never altered
    "landings": ("landed", "lifted"),
    "zones": ("zone_added", "zone_ended"),
    "heard": ("", ""),  # changes no load
    "paging": ("paging_changed", "paging_changed"),
    "poe_readings": ("reading_taken", ""),
    "readings": ("reading_taken", ""),
}


def changes_at_step(plant: Plant, rows: Rows, step: int) -> tuple[ChangeAtStep, ...]:
    """What was changed at a step, of the rows that are meant: equal changes taken together, the most telling
    first."""
    counted: dict[ChangeAtStep, float] = {}
    for change in _every(plant, rows, step):
        alike = replace(change, count=0.0)
        counted[alike] = counted.get(alike, 0.0) + change.count
    changes = _merged([replace(alike, count=count) for alike, count in counted.items()])
    types = {change.type for change in changes}
    hidden = {implied for type_, implies in _IMPLIED.items() if type_ in types for implied in implies}
    if len(types) > 1:
        hidden |= {"reading_taken"}
    kept = [change for change in changes if change.type not in hidden] or changes
    return tuple(sorted(kept, key=lambda change: (CHANGE_TYPES[change.type].rank, -change.count)))


def _merged(changes: Sequence[ChangeAtStep]) -> list[ChangeAtStep]:
    """More than two shades of one type are one change, without their values."""
    shades = Counter((change.type, change.device_kind) for change in changes)
    out: list[ChangeAtStep] = []
    together: dict[tuple[str, int], float] = {}
    for change in changes:
        key = (change.type, change.device_kind)
        if shades[key] > 2:
            together[key] = together.get(key, 0.0) + change.count
        else:
            out.append(change)
    return out + [ChangeAtStep(type_, count, kind) for (type_, kind), count in together.items()]


def _every(plant: Plant, scope: Rows, step: int) -> Iterator[ChangeAtStep]:
    for name, mask in scope.items():
        if not mask.any():
            continue
        table = plant.tables[name]
        if name in _COUNTED_EVENTS:
            yield from _events(name, table, mask, step)
            continue
        pairs = list(_pairs(name, table, mask, step))
        if name == "points":
            yield from _device_changes(plant, pairs)
        elif name == "ports":
            yield from _port_changes(plant, pairs)
        elif name in _COMES_AND_GOES:
            yield from _coming_and_going(plant, name, pairs)
        elif name == "addresses":
            yield from (
                ChangeAtStep("address_set", thing=_thing(plant, name, thing))
                for thing, before, _ in pairs
                if before is None
            )
        yield from _alterations(plant, name, pairs)


def _events(name: str, table: Table, mask: BoolArray, step: int) -> Iterator[ChangeAtStep]:
    begun, ended = _COUNTED_EVENTS[name]
    for type_, edge in ((begun, table.begin), (ended, table.end)):
        count = int((mask & (edge == step)).sum())
        if type_ and count:
            yield ChangeAtStep(type_, count)


Pair = tuple[int, int | None, int | None]
"""A thing's index, its row that ends at the step, and its row that begins there."""


def _pairs(name: str, table: Table, mask: BoolArray, step: int) -> Iterator[Pair]:
    things = getattr(table, THINGS[name])
    before = {int(things[k]): int(k) for k in np.flatnonzero(mask & (table.end == step))}
    after = {int(things[k]): int(k) for k in np.flatnonzero(mask & (table.begin == step))}
    for thing in sorted(before.keys() | after.keys()):
        yield thing, before.get(thing), after.get(thing)


def _coming_and_going(plant: Plant, name: str, pairs: Sequence[Pair]) -> Iterator[ChangeAtStep]:
    for index, before, after in pairs:
        if before is None or after is None:
            thing = _thing(plant, name, index)
            yield ChangeAtStep(f"{thing.kind}_{'added' if before is None else 'ended'}", thing=thing)


def _port_changes(plant: Plant, pairs: Sequence[Pair]) -> Iterator[ChangeAtStep]:
    loaded = plant.ports.other_load
    for index, before, after in pairs:
        had = before is not None and bool(loaded[before])
        has = after is not None and bool(loaded[after])
        if had != has:
            type_ = "other_load_added" if has else "other_load_removed"
            yield ChangeAtStep(type_, thing=_thing(plant, "ports", index))


def _device_changes(plant: Plant, pairs: Sequence[Pair]) -> Iterator[ChangeAtStep]:
    table = plant.points
    for _, before, after in pairs:
        (had, old_kind, old_model), (has, kind, model) = _device(plant, before), _device(plant, after)
        count = float(table.count_likely[after]) if after is not None else 0.0
        old_count = float(table.count_likely[before]) if before is not None else 0.0
        if has and not had:
            counted = table.kind[after] == PointKind.DEVICE
            yield ChangeAtStep("device_added" if counted else "uncounted_added", count, kind, model)
        elif had and not has:
            yield ChangeAtStep("device_removed", old_count, old_kind, old_model)
        elif had and (old_kind, old_model) != (kind, model):
            old = old_model or Reference("kind", old_kind)
            yield ChangeAtStep("device_swapped", count, kind, model, before=old)
        if had and has and count != old_count:
            type_ = "count_raised" if count > old_count else "count_lowered"
            yield ChangeAtStep(type_, abs(count - old_count), kind, model, before=old_count, after=count)


def _device(plant: Plant, row: int | None) -> tuple[bool, int, Reference | None]:
    """Whether a row of points is one of a device, of which kind and model."""
    table, models = plant.points, plant.models
    if row is None or table.kind[row] == PointKind.SPLICE:
        return False, 0, None
    model = int(table.model_index[row])
    if model < 0:
        return True, int(table.device_kind[row]), None
    return True, int(models.device_kind[model]), Reference("model", int(models.model_id[model]))


def _alterations(plant: Plant, name: str, pairs: Sequence[Pair]) -> Iterator[ChangeAtStep]:
    table = plant.tables[name]
    fresh = {thing for thing, before, _ in pairs if before is None}
    for thing, before, after in pairs:
        if before is None or after is None:
            continue
        for watch in _WATCHES:
            if watch.table != name or not _differs(table, watch, before, after):
                continue
            if name == "points" and _named_already(plant, watch.type, before, after, fresh):
                continue
            yield _alteration(plant, watch, table, thing, before, after)


def _named_already(plant: Plant, type_: str, before: int, after: int, fresh: set[int]) -> bool:
    """A new point before this one shortens its segment; a device that came or went takes its own values
    along."""
    table = plant.points
    if type_ in {"segment_rerouted", "segment_length"}:
        return int(table.parent_index[after]) in fresh
    was, now = int(table.kind[before]), int(table.kind[after])
    return type_ in {"tap_changed", "current_changed", "point_zone"} and PointKind.SPLICE in (was, now)


def _alteration(
    plant: Plant, watch: _Watch, table: Table, thing: int, before: int, after: int
) -> ChangeAtStep:
    column = getattr(table, _columns(watch, table)[0])

    def value(row: int) -> float | Reference | None:
        if watch.refers_to:
            return _reference(plant, watch.refers_to, int(column[row]))
        number = float(column[row])
        unknown = np.isnan(number) or (column.dtype.kind == "i" and number < 0)
        return None if unknown else number

    old, new = value(before), value(after)
    if old == new or watch.type == "segment_rerouted":  # another of the columns differs
        old = new = None
    if watch.table == "points":
        return ChangeAtStep(watch.type, device_kind=_device(plant, after)[1], before=old, after=new)
    return ChangeAtStep(watch.type, thing=_thing(plant, watch.table, thing), before=old, after=new)


def _columns(watch: _Watch, table: Table) -> tuple[str, ...]:
    """The columns of a table that a watch is about, in the order of its patterns."""
    return _columns_like(watch, tuple(f.name for f in fields(table)))


@cache
def _columns_like(watch: _Watch, columns: tuple[str, ...]) -> tuple[str, ...]:
    apart = {*(f.name for f in fields(Table)), THINGS[watch.table]}
    likes = watch.patterns.split()
    found = (name for like in likes for name in columns if fnmatchcase(name, like) and name not in apart)
    return tuple(dict.fromkeys(found))


def _differs(table: Table, watch: _Watch, before: int, after: int) -> bool:
    for name in _columns(watch, table):
        column = getattr(table, name)
        old, new = column[before], column[after]
        if old != new and not (column.dtype.kind == "f" and np.isnan(old) and np.isnan(new)):
            return True
    return False


def _thing(plant: Plant, table: str, index: int) -> Reference:
    """The thing that rows of a table are of, by its index."""
    kind = THINGS[table].removesuffix("_index")
    return Reference(kind, int(getattr(plant, f"{kind}_id")[index]))


def _reference(plant: Plant, kind: str, index: int) -> Reference | None:
    if index < 0:
        return None
    if kind == "zone":  # zones are named by their id throughout
        return Reference(kind, index)
    ids = plant.cables.cable_id if kind == "cable" else getattr(plant, f"{kind}_id")
    return Reference(kind, int(ids[index]))
