"""What was changed at a step, read off the rows that begin or end there.

Pure: a ``ChangeAtStep`` holds ids and values; ``wording`` renders it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from fnmatch import fnmatchcase
from functools import cache
from operator import attrgetter
from typing import Any, Final, NamedTuple

import numpy as np

from zones.electrical.bands import IntArray
from zones.electrical.plant import TABLE_OF_KIND, BoolArray, Plant, PointKind, Service, Table

from .change_types import CHANGE_TYPES

THINGS: Final = {
    **{table: f"{kind}_index" for kind, table in TABLE_OF_KIND.items()},
    "points": "point_index",
    "addresses": "endpoint_index",
    "clips": "clip_code",
    "zones": "zone_id",
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


# What is not named as well where a bigger change explains it
_IMPLIED: Final = {
    "switch_budget": ("switch_budget_one_lost",),
    "device_swapped": ("current_changed", "tap_changed"),
    "device_added": ("run_added",),
    "uncounted_added": ("run_added",),
    "test_failed": ("test_made",),
}
_COMES_AND_GOES: Final = {"runs", "supplies", "amplifiers", "switches", "endpoints"}
_COUNTED_EVENTS: Final = {  # tables whose rows begin and end and are never altered
    "landings": ("landed", "lifted"),
    "heard": ("", ""),  # changes no load
    "paging": ("paging_changed", "paging_changed"),
    "poe_readings": ("reading_taken", ""),
    "readings": ("reading_taken", ""),
}


_ALIKE = attrgetter("type", "device_kind", "model", "thing", "before", "after")


def changes_at_step(plant: Plant, rows: Rows, step: int) -> tuple[ChangeAtStep, ...]:
    """What was changed at a step, of the rows that are meant: equal changes taken together, in the
    order in which a sentence names them."""
    counted: dict[tuple[Any, ...], float] = {}
    for change in _every(plant, rows, step):
        alike = _ALIKE(change)
        counted[alike] = counted.get(alike, 0.0) + change.count
    changes = _merged([ChangeAtStep(type_, count, *rest) for (type_, *rest), count in counted.items()])
    types = {change.type for change in changes}
    hidden = {implied for type_, implies in _IMPLIED.items() if type_ in types for implied in implies}
    if len(types) > 1:
        hidden |= {"reading_taken", "test_made"}
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
            yield from _counted(name, table, mask, step)
            continue
        if name == "proof_tests":
            yield from _tests_made(plant, mask & (table.begin == step))
            continue
        things = getattr(table, THINGS[name])
        ends = {int(things[k]): int(k) for k in np.flatnonzero(mask & (table.end == step))}
        begins = {int(things[k]): int(k) for k in np.flatnonzero(mask & (table.begin == step))}
        pairs = [(thing, ends.get(thing), begins.get(thing)) for thing in sorted(ends.keys() | begins.keys())]
        if name == "points":
            yield from _device_changes(plant, pairs)
        elif name == "ports":
            yield from _port_changes(plant, pairs)
        elif name == "outputs":
            yield from _service_changes(plant, pairs)
        elif name == "clips":
            yield from _clip_changes(plant, pairs)
        elif name == "zones":
            yield from (
                ChangeAtStep("zone_added" if before is None else "zone_ended")
                for _, before, after in pairs
                if before is None or after is None
            )
        elif name in _COMES_AND_GOES or name == "addresses":
            yield from _coming_and_going(plant, name, pairs)
        yield from _alterations(plant, name, pairs)


def _counted(name: str, table: Table, rows: BoolArray, step: int) -> Iterator[ChangeAtStep]:
    for type_, edge in zip(_COUNTED_EVENTS[name], (table.begin, table.end), strict=True):
        count = int((rows & (edge == step)).sum())
        if type_ and count:
            yield ChangeAtStep(type_, count)


def _tests_made(plant: Plant, rows: BoolArray) -> Iterator[ChangeAtStep]:
    for type_, passed in (("test_failed", False), ("test_made", True)):
        count = int((rows & (plant.proof_tests.passed == passed)).sum())
        if count:
            yield ChangeAtStep(type_, count)


Pair = tuple[int, int | None, int | None]
"""A thing's index, its row that ends at the step, and its row that begins there."""


def _coming_and_going(plant: Plant, name: str, pairs: Sequence[Pair]) -> Iterator[ChangeAtStep]:
    for index, before, after in pairs:
        thing = _thing(plant, name, index)
        if name == "addresses":
            if before is None:
                yield ChangeAtStep("address_set", thing=thing)
        elif before is None or after is None:
            yield ChangeAtStep(f"{thing.kind}_{'added' if before is None else 'ended'}", thing=thing)


def _port_changes(plant: Plant, pairs: Sequence[Pair]) -> Iterator[ChangeAtStep]:
    loaded = plant.ports.other_load
    for index, before, after in pairs:
        had = before is not None and bool(loaded[before])
        has = after is not None and bool(loaded[after])
        if had != has:
            type_ = "other_load_added" if has else "other_load_removed"
            yield ChangeAtStep(type_, thing=_thing(plant, "ports", index))


def _service_changes(plant: Plant, pairs: Sequence[Pair]) -> Iterator[ChangeAtStep]:
    service = plant.outputs.service
    for index, before, after in pairs:
        was = before is not None and service[before] == Service.IN_SERVICE
        is_now = after is not None and service[after] == Service.IN_SERVICE
        if was != is_now:
            type_ = "output_in_service" if is_now else "output_out_of_service"
            yield ChangeAtStep(type_, thing=_thing(plant, "outputs", index))


def _clip_changes(plant: Plant, pairs: Sequence[Pair]) -> Iterator[ChangeAtStep]:
    # a clip of which nothing is recorded is in
    is_in = plant.clips.is_in
    for _, before, after in pairs:
        was = before is None or bool(is_in[before])
        if after is not None and was != is_in[after]:
            yield ChangeAtStep("clip_pulled" if was else "clip_inserted")


def _device_changes(plant: Plant, pairs: Sequence[Pair]) -> Iterator[ChangeAtStep]:
    table = plant.points
    for _, before, after in pairs:
        (had, old_kind, old_model), (has, kind, model) = _device(plant, before), _device(plant, after)
        count = float(table.count_likely[after]) if after is not None else 0.0
        old_count = float(table.count_likely[before]) if before is not None else 0.0
        if has and not had:
            counted = table.count_low[after] == table.count_high[after]
            yield ChangeAtStep("device_added" if counted else "uncounted_added", count, kind, model)
        elif had and not has:
            yield ChangeAtStep("device_removed", old_count, old_kind, old_model)
        elif had and (old_kind, old_model) != (kind, model):
            old = old_model or Reference("kind", old_kind)
            yield ChangeAtStep("device_swapped", count, kind, model, before=old)
        if had and has and count != old_count:
            type_ = "count_raised" if count > old_count else "count_lowered"
            yield ChangeAtStep(type_, abs(count - old_count), kind, model, before=old_count, after=count)


_SPLICE: Final = int(PointKind.SPLICE)


def _device(plant: Plant, row: int | None) -> tuple[bool, int, Reference | None]:
    """Whether a row of points is one of a device, of which kind and model."""
    table, models = plant.points, plant.models
    if row is None or table.kind[row] == _SPLICE:
        return False, 0, None
    model = int(table.model_index[row])
    if model < 0:
        return True, int(table.device_kind[row]), None
    return True, int(models.device_kind[model]), Reference("model", int(models.model_id[model]))


def _alterations(plant: Plant, name: str, pairs: Sequence[Pair]) -> Iterator[ChangeAtStep]:
    standing = [
        (thing, before, after) for thing, before, after in pairs if before is not None and after is not None
    ]
    if not standing:
        return
    table = plant.tables[name]
    watched = _watched(name, tuple([f.name for f in fields(table)]))
    _, was, now = np.array(standing).T
    differs = {type_: _differs(table, columns, was, now) for type_, columns in watched.items()}
    fresh = {thing for thing, before, _ in pairs if before is None}
    for place, (thing, before, after) in enumerate(standing):
        for type_, columns in watched.items():
            if not differs[type_][place]:
                continue
            if name == "points" and _named_already(plant, type_, before, after, fresh):
                continue
            column, refers_to = getattr(table, columns[0]), CHANGE_TYPES[type_].refers_to
            old, new = _value(plant, refers_to, column[before]), _value(plant, refers_to, column[after])
            if old == new or type_ == "segment_rerouted":  # another of the columns differs
                old = new = None
            if name == "points":
                yield ChangeAtStep(type_, device_kind=_device(plant, after)[1], before=old, after=new)
            else:
                yield ChangeAtStep(type_, thing=_thing(plant, name, thing), before=old, after=new)


def _named_already(plant: Plant, type_: str, before: int, after: int, fresh: set[int]) -> bool:
    """A new point before this one shortens its segment; a device that came or went takes its own values
    along."""
    table = plant.points
    if type_ in {"segment_rerouted", "segment_length"}:
        return int(table.parent_index[after]) in fresh
    was, now = int(table.kind[before]), int(table.kind[after])
    return type_ in {"tap_changed", "current_changed", "point_zone"} and _SPLICE in (was, now)


def _value(plant: Plant, refers_to: str, value: Any) -> float | Reference | None:
    """A value of a column; None: not recorded."""
    if refers_to:
        return _reference(plant, refers_to, int(value))
    unknown = np.isnan(value) or (isinstance(value, np.integer) and value < 0)
    return None if unknown else float(value)


@cache
def _watched(name: str, columns: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    """By type of alteration of a table, the columns that it is about, in the order of its patterns."""
    apart = {*(f.name for f in fields(Table)), THINGS[name]}
    found = {}
    for type_, change in CHANGE_TYPES.items():
        table, *patterns = change.columns.split() or ("",)
        if table == name:
            matching = [column for like in patterns for column in columns if fnmatchcase(column, like)]
            found[type_] = tuple(column for column in dict.fromkeys(matching) if column not in apart)
    return found


def _differs(table: Table, columns: Sequence[str], before: IntArray, after: IntArray) -> BoolArray:
    """(n,) whether rows ``before`` and ``after`` (n,) differ in one of the columns."""
    out = np.zeros(len(before), np.bool_)
    for column in map(vars(table).__getitem__, columns):
        old, new = column[before], column[after]
        out |= (old != new) & ((old == old) | (new == new))  # not both NaN
    return out


def _thing(plant: Plant, table: str, index: int) -> Reference:
    """The thing that rows of a table are of, by its index."""
    if table == "zones":  # they are named by their id throughout
        return Reference("zone", index)
    kind = THINGS[table].removesuffix("_index")
    return Reference(kind, int(getattr(plant, f"{kind}_id")[index]))


def _reference(plant: Plant, kind: str, index: int) -> Reference | None:
    if index < 0:
        return None
    if kind in ("zone", "signal"):  # zones are named by their id throughout
        return Reference(kind, index)
    ids = plant.cables.cable_id if kind == "cable" else getattr(plant, f"{kind}_id")
    return Reference(kind, int(ids[index]))
