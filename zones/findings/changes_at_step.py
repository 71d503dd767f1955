"""What was done at a step, read off the rows that begin or end there.

Pure: a ``Deed`` holds ids and values; ``wording`` puts it into a person's words.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from zones.electrical.bands import IntArray
from zones.electrical.plant import BoolArray, Plant, PointKind, Table

from .change_types import ACTS

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


@dataclass(frozen=True)
class Reference:
    """One thing or catalogue entry of the record, to be named in words."""

    kind: str
    id: int


@dataclass(frozen=True)
class Deed:
    """One kind of thing that was done, how often.

    act: a name of ``ACTS``. count: how many devices, segments or things. device_kind, model: what kind of
    device, where it is about devices. thing: what it was done to, where that is one thing. before, after:
    values in the unit of the act, or references; None not known or not there.
    """

    act: str
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


@dataclass(frozen=True)
class _Watch:
    """An alteration: it was made where one of ``columns`` differs; the first is what is told."""

    table: str
    columns: tuple[str, ...]
    act: str
    refers_to: str = ""


_WATCHES: Final = (
    _Watch("runs", ("supply_index",), "run_supply", "supply"),
    _Watch("runs", ("output_index",), "run_output", "output"),
    _Watch("runs", ("amplifier_index",), "run_amplifier", "amplifier"),
    _Watch("runs", ("fuse_rating_a", "fuse_fitted"), "run_fuse"),
    _Watch("runs", ("zone_id",), "run_zone", "zone"),
    _Watch("points", ("tap_power_w", "tap_basis"), "tap_changed"),
    _Watch("points", ("speech_current_a", "idle_current_a", "current_basis"), "current_changed"),
    _Watch("points", ("feed_supply_index",), "point_supply", "supply"),
    _Watch("points", ("zone_id",), "point_zone", "zone"),
    _Watch("points", ("dc_pairs",), "segment_pairs"),
    _Watch("points", ("cable_index",), "segment_cable", "cable"),
    _Watch("points", ("length_m", "length_basis"), "segment_length"),
    _Watch("points", ("parent_index",), "segment_rerouted", "point"),
    _Watch("points", ("negative_cut",), "negative_cut"),
    _Watch(
        "supplies",
        (
            "rated_current_a", "no_load_voltage_v", "rated_load_voltage_v", "voltage_tolerance",
            "lowest_voltage_v", "class_2_marked",
        ),
        "supply_replaced",
    ),
    _Watch("outputs", ("impedance_ohm", "level_v", "speakers_max"), "output_changed"),
    _Watch("amplifiers", ("rated_power_w", "line_voltage_v", "minimum_impedance_ohm"), "amplifier_replaced"),
    _Watch("switches", ("budget_w",), "switch_budget"),
    _Watch("switches", ("budget_one_lost_w",), "switch_budget_one_lost"),
    _Watch("switches", ("power_supply_count",), "switch_supplies"),
    _Watch("switches", ("usage_threshold",), "switch_threshold"),
    _Watch("ports", ("other_power_w", "other_class"), "port_changed"),
    _Watch("endpoints", ("port_index", "over_cable"), "endpoint_moved", "port"),
    _Watch("endpoints", ("poe_class", "granted_w", "paging_power_w"), "endpoint_power"),
    _Watch("endpoints", ("length_m", "length_basis", "cable_index"), "endpoint_cable"),
    _Watch("addresses", ("address_code",), "address_set"),
)  # fmt: skip
# What is not also told where a bigger thing explains it
_IMPLIED: Final = {
    "switch_budget": ("switch_budget_one_lost",),
    "device_swapped": ("current_changed", "tap_changed"),
}
_COMES_AND_GOES: Final = {
    "runs": ("run_added", "run_ended", "run"),
    "supplies": ("supply_added", "supply_ended", "supply"),
    "amplifiers": ("amplifier_added", "amplifier_ended", "amplifier"),
    "switches": ("switch_added", "switch_ended", "switch"),
    "endpoints": ("endpoint_added", "endpoint_removed", "endpoint"),
}
_COUNTED_EVENTS: Final = {  # tables whose rows begin and end and are never altered
    "landings": ("landed", "lifted"),
    "zones": ("zone_added", "zone_ended"),
    "paging": ("paging_changed", "paging_changed"),
    "poe_readings": ("reading_taken", ""),
    "readings": ("reading_taken", ""),
}


def deeds_of(plant: Plant, rows: Rows, step: int) -> tuple[Deed, ...]:
    """What was done at a step, of the rows that are meant: equal deeds taken together, the most telling
    first."""
    counted: dict[Deed, float] = {}
    for deed in _every(plant, rows, step):
        alike = replace(deed, count=0.0)
        counted[alike] = counted.get(alike, 0.0) + deed.count
    deeds = _merged([replace(alike, count=count) for alike, count in counted.items()])
    acts = {deed.act for deed in deeds}
    hidden = {implied for act, implies in _IMPLIED.items() if act in acts for implied in implies}
    if acts & {"device_added", "uncounted_added"}:
        hidden |= {"run_added"}
    if "reading_taken" in acts and len(acts) > 1:
        hidden |= {"reading_taken"}
    kept = [deed for deed in deeds if deed.act not in hidden] or deeds
    return tuple(sorted(kept, key=lambda deed: (ACTS[deed.act].rank, -deed.count)))


def adds_load(deeds: Iterable[Deed]) -> bool:
    """Devices or loads were added."""
    return any(ACTS[deed.act].adds for deed in deeds)


def _merged(deeds: Sequence[Deed]) -> list[Deed]:
    """More than two shades of one act are told as one, without their values."""
    shades = Counter((deed.act, deed.device_kind) for deed in deeds)
    out: list[Deed] = []
    together: dict[tuple[str, int], float] = {}
    for deed in deeds:
        key = (deed.act, deed.device_kind)
        if shades[key] > 2:
            together[key] = together.get(key, 0.0) + deed.count
        else:
            out.append(deed)
    return out + [Deed(act, count, kind) for (act, kind), count in together.items()]


def _every(plant: Plant, scope: Rows, step: int) -> Iterator[Deed]:
    tables = plant.tables
    for name, mask in scope.items():
        if not mask.any():
            continue
        if name in _COUNTED_EVENTS:
            yield from _events(name, tables[name], mask, step)
            continue
        pairs = list(_pairs(name, tables[name], mask, step))
        if name == "points":
            yield from _point_deeds(plant, pairs)
        elif name == "ports":
            yield from _port_deeds(plant, pairs)
        elif name in _COMES_AND_GOES:
            yield from _coming_and_going(plant, name, pairs)
        else:
            yield from (
                Deed("address_set", thing=Reference("endpoint", int(plant.endpoint_id[thing])))
                for thing, before, _ in pairs
                if name == "addresses" and before is None
            )
        yield from _alterations(plant, name, pairs)


def _events(name: str, table: Table, mask: BoolArray, step: int) -> Iterator[Deed]:
    begun, ended = _COUNTED_EVENTS[name]
    for act, edge in ((begun, table.begin), (ended, table.end)):
        count = int((mask & (edge == step)).sum())
        if act and count:
            yield Deed(act, count)


Pair = tuple[int, int | None, int | None]
"""A thing's index, its row that ends at the step, and its row that begins there."""


def _pairs(name: str, table: Table, mask: BoolArray, step: int) -> Iterator[Pair]:
    things = getattr(table, THINGS[name])
    before = {int(things[k]): int(k) for k in np.flatnonzero(mask & (table.end == step))}
    after = {int(things[k]): int(k) for k in np.flatnonzero(mask & (table.begin == step))}
    for thing in sorted(before.keys() | after.keys()):
        yield thing, before.get(thing), after.get(thing)


def _coming_and_going(plant: Plant, name: str, pairs: Sequence[Pair]) -> Iterator[Deed]:
    came, went, kind = _COMES_AND_GOES[name]
    for thing, before, after in pairs:
        if before is None or after is None:
            yield Deed(came if before is None else went, thing=_reference(plant, kind, thing))


def _port_deeds(plant: Plant, pairs: Sequence[Pair]) -> Iterator[Deed]:
    table = plant.ports
    for thing, before, after in pairs:
        had = before is not None and bool(table.other_load[before])
        has = after is not None and bool(table.other_load[after])
        if had != has:
            act = "other_load_added" if has else "other_load_removed"
            yield Deed(act, thing=_reference(plant, "port", thing))


def _point_deeds(plant: Plant, pairs: Sequence[Pair]) -> Iterator[Deed]:
    table = plant.points

    def device(row: int | None) -> tuple[bool, int, Reference | None]:
        if row is None or table.kind[row] == PointKind.SPLICE:
            return False, 0, None
        model = int(table.model_index[row])
        kind = int(plant.models.device_kind[model]) if model >= 0 else int(table.device_kind[row])
        return True, kind, Reference("model", int(plant.models.model_id[model])) if model >= 0 else None

    for _, before, after in pairs:
        (had, old_kind, old_model), (has, kind, model) = device(before), device(after)
        count = float(table.count_likely[after]) if after is not None else 0.0
        old_count = float(table.count_likely[before]) if before is not None else 0.0
        if has and not had:
            uncounted_group = table.kind[after] == PointKind.UNCOUNTED_GROUP
            yield Deed("uncounted_added" if uncounted_group else "device_added", count, kind, model)
        elif had and not has:
            yield Deed("device_removed", old_count, old_kind, old_model)
        elif had and (old_kind, old_model) != (kind, model):
            yield Deed("device_swapped", count, kind, model, before=old_model or Reference("kind", old_kind))
        if had and has and count != old_count:
            act = "count_raised" if count > old_count else "count_lowered"
            yield Deed(act, abs(count - old_count), kind, model, before=old_count, after=count)


def _alterations(plant: Plant, name: str, pairs: Sequence[Pair]) -> Iterator[Deed]:
    table = plant.tables[name]
    fresh = {thing for thing, before, _ in pairs if before is None}
    for thing, before, after in pairs:
        if before is None or after is None:
            continue
        for watch in _WATCHES:
            if watch.table != name or not _differs(table, watch.columns, before, after):
                continue
            if name == "points" and _told_already(plant, watch.act, before, after, fresh):
                continue
            yield _alteration(plant, watch, table, thing, before, after)


def _told_already(plant: Plant, act: str, before: int, after: int, fresh: set[int]) -> bool:
    """A new point before this one shortens its segment; a device that came or went takes its own values
    along."""
    table = plant.points
    if act in {"segment_rerouted", "segment_length"}:
        return int(table.parent_index[after]) in fresh
    was, now = int(table.kind[before]), int(table.kind[after])
    return act in {"tap_changed", "current_changed", "point_zone"} and PointKind.SPLICE in (was, now)


def _alteration(plant: Plant, watch: _Watch, table: Table, thing: int, before: int, after: int) -> Deed:
    column = getattr(table, watch.columns[0])

    def value(row: int) -> float | Reference | None:
        if watch.refers_to:
            return _reference(plant, watch.refers_to, int(column[row]))
        number = float(column[row])
        unknown = np.isnan(number) or (column.dtype.kind == "i" and number < 0)
        return None if unknown else number

    old, new = value(before), value(after)
    if old == new:  # another of the columns differs: told without values
        old = new = None
    kind, model = 0, None
    named: Reference | None = None
    if watch.table == "points":
        at = int(plant.points.model_index[after])
        kind = int(plant.models.device_kind[at]) if at >= 0 else int(plant.points.device_kind[after])
        if watch.act == "segment_rerouted":
            old = new = None
    else:
        named = _reference(plant, _SINGULAR[watch.table], thing)
    return Deed(watch.act, 1.0, kind, model, named, old, new)


_SINGULAR: Final = {
    "runs": "run", "supplies": "supply", "outputs": "output", "amplifiers": "amplifier", "switches": "switch",
    "ports": "port", "endpoints": "endpoint", "addresses": "endpoint",
}  # fmt: skip


def _differs(table: Table, columns: Sequence[str], before: int, after: int) -> bool:
    for name in columns:
        column = getattr(table, name)
        old, new = column[before], column[after]
        if old != new and not (column.dtype.kind == "f" and np.isnan(old) and np.isnan(new)):
            return True
    return False


def _reference(plant: Plant, kind: str, index: int) -> Reference | None:
    if index < 0:
        return None
    if kind == "zone":  # zones are named by their id throughout
        return Reference(kind, index)
    ids: IntArray = {
        "run": plant.run_id, "point": plant.point_id, "supply": plant.supply_id, "output": plant.output_id,
        "amplifier": plant.amplifier_id, "switch": plant.switch_id, "port": plant.port_id,
        "endpoint": plant.endpoint_id, "cable": plant.cables.cable_id,
    }[kind]  # fmt: skip
    return Reference(kind, int(ids[index]))
