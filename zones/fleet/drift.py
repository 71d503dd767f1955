"""What happened on the sites of a batch since: at most one change set a run, some of them a step too far."""

from __future__ import annotations

from enum import IntEnum
from typing import Any

import numpy as np

from zones.electrical.bands import Basis
from zones.fleet.batch import (
    NONE,
    Batch,
    ChangeKind,
    Columns,
    Fate,
    Flags,
    Gap,
    Ints,
    RunKind,
    number_within,
    pick,
    several,
)
from zones.fleet.cabling import DEVICE, LEAST_V, SPLICE, Loads
from zones.fleet.catalogue import SPEECH_A, Model
from zones.fleet.days import LAST
from zones.fleet.layout import LOADING


class Deed(IntEnum):
    """What a later change set did. The numbers choose its wording, after those of the first record."""

    NOTHING = 0
    APPENDED = 2
    INSERTED = 3
    REMOVED = 4
    SWAPPED = 5
    FOUND = 6
    SUPPLY_REPLACED = 7
    GATEWAY_MOVED = 8
    HORNS_ADDED = 9
    SPEAKERS_ADDED = 10
    TAPS_RAISED = 11


_ORDINARY = {
    Deed.NOTHING: 0.72, Deed.APPENDED: 0.10, Deed.INSERTED: 0.05, Deed.REMOVED: 0.05, Deed.SWAPPED: 0.03,
    Deed.FOUND: 0.02, Deed.SUPPLY_REPLACED: 0.01, Deed.GATEWAY_MOVED: 0.02,
}  # fmt: skip
_RATED_A = np.array([1.0, 2.0, 4.0])
_TOO_FAR = 1.04


def drift(rng: np.random.Generator, batch: Batch, loads: Loads) -> None:
    """Add later change sets and their rows."""
    runs = batch.tables["run"]
    deed = _deeds(rng, batch)
    chosen = np.flatnonzero(deed != Deed.NOTHING)
    day = rng.integers(batch.tables["change_set"]["day"][runs["site"][chosen]] + 60, LAST)
    order = np.lexsort((day, runs["site"][chosen]))
    chosen, day = chosen[order], day[order]
    found = deed[chosen] == Deed.FOUND
    change = np.full(len(deed), NONE)
    change[chosen] = batch.add(
        "change_set",
        {"site": runs["site"][chosen], "day": day,
         "kind": np.where(found, ChangeKind.CORRECTION, ChangeKind.WORK), "wording": deed[chosen],
         "crew": rng.integers(0, 40, len(chosen))},
    )  # fmt: skip
    last = np.cumsum(runs["count"]) - 1

    grown = np.isin(deed, [Deed.APPENDED, Deed.FOUND, Deed.HORNS_ADDED, Deed.SPEAKERS_ADDED])
    more = np.where(grown, _more(rng, batch, loads, deed), 0)
    _append(batch, more, deed, change, last)
    with_a_middle = np.flatnonzero(np.isin(deed, [Deed.INSERTED, Deed.REMOVED]))
    first = last - runs["count"] + 1
    at = rng.integers(first[with_a_middle], last[with_a_middle] + 1)
    inserted = deed[with_a_middle] == Deed.INSERTED
    _insert(batch, at[inserted], change[with_a_middle[inserted]])
    _remove(batch, at[~inserted], change[with_a_middle[~inserted]])
    _swap(batch, deed == Deed.SWAPPED, change, last)
    _raise_taps(batch, deed == Deed.TAPS_RAISED, change)
    _replace_supplies(batch, np.flatnonzero(deed == Deed.SUPPLY_REPLACED), change)
    _move_gateways(batch, np.flatnonzero(deed == Deed.GATEWAY_MOVED), change)


def _deeds(rng: np.random.Generator, batch: Batch) -> Ints:
    runs = batch.tables["run"]
    count = batch.count("run")
    amplified = runs["kind"] == RunKind.SELF_AMPLIFIED
    deed = pick(rng, _ORDINARY, count)
    deed = np.where((deed == Deed.SWAPPED) & (runs["model"] != Model.WALL), Deed.REMOVED, deed)
    # whoever replaced a supply wrote down of which model the new one is
    supplied = amplified & (runs["gap"] != Gap.SUPPLY)
    deed = np.where((deed == Deed.SUPPLY_REPLACED) & ~supplied, Deed.NOTHING, deed)
    low = runs["kind"] == RunKind.LOW_IMPEDANCE
    deed = np.where(low & (deed != Deed.GATEWAY_MOVED), Deed.NOTHING, deed)
    too_far = np.where(
        amplified, pick(rng, {Deed.HORNS_ADDED: 0.5, Deed.SPEAKERS_ADDED: 0.5}, count), Deed.TAPS_RAISED
    )
    deed = np.where(runs["fate"] == Fate.PAST, too_far, deed)
    deed = np.where(runs["fate"] == Fate.NEAR, Deed.NOTHING, deed)
    # one supply is replaced once, and one gateway of a closet moves to the last port of its switch
    for one, of in ((Deed.SUPPLY_REPLACED, runs["zone"]), (Deed.GATEWAY_MOVED, runs["closet"])):
        same = np.flatnonzero(deed == one)
        deed[same[number_within(of[same]) > 0]] = Deed.NOTHING
    return deed


def _more(rng: np.random.Generator, batch: Batch, loads: Loads, deed: Ints) -> Ints:
    """(runs,) how many devices more: as many as it takes to go too far, where that is the deed."""
    runs = batch.tables["run"]
    tapped = runs["kind"] == RunKind.CONSTANT_VOLTAGE
    more = rng.integers(1, np.where(tapped, 5, 3))
    with np.errstate(divide="ignore"):
        horns = (loads.end_voltage_v - LEAST_V + 0.6) / (
            loads.end_resistance_ohm * SPEECH_A[Model.LARGE_HORN]
        )
    supply = batch.tables["supply"]["model"][runs["supply"]] - Model.SUPPLY_1
    limit = LOADING * _RATED_A[supply.clip(0, 2)]
    speakers = (limit * _TOO_FAR - loads.likely_current_a) / SPEECH_A[Model.WALL]
    more = np.where(deed == Deed.HORNS_ADDED, np.ceil(horns).clip(1, 8), more)
    return np.where(deed == Deed.SPEAKERS_ADDED, np.ceil(speakers).clip(1, 90), more).astype(np.int64)


def _like(batch: Batch, rows: Ints, **altered: Any) -> Columns:
    """Copies of rows of ``point_facts``, with some columns set."""
    copies: Columns = {name: column[rows].copy() for name, column in batch.tables["point_facts"].items()}
    for name, value in altered.items():
        copies[name][:] = value
    return copies


def _append(batch: Batch, more: Ints, deed: Ints, change: Ints, last: Ints) -> None:
    run, number = several(more)
    runs = batch.tables["run"]
    rank = (runs["count"][run] + 1 + number).astype(np.float64)
    site = runs["site"][run]
    point = batch.add(
        "point",
        {"change": change[run], "site": site, "run": run, "rank": rank, "name": rank.astype(np.int64)},
    )
    at = np.where(deed[run] == Deed.FOUND, site, change[run])
    rows = _like(
        batch, last[run], change=change[run], at=at, point=point, rank=rank,
        parent=np.where(number == 0, last[run], point - 1), kind=DEVICE, count_low=NONE, count_likely=NONE,
        count_high=NONE,
    )  # fmt: skip
    for one, model, kind, length in (
        (Deed.HORNS_ADDED, Model.LARGE_HORN, 3, 12.0),
        (Deed.SPEAKERS_ADDED, Model.WALL, 2, 5.0),
    ):
        here = deed[run] == one
        rows["model"][here], rows["device_kind"][here] = model, kind
        rows["length_m"][here], rows["length_basis"][here] = length, Basis.MEASURED
        rows["current_basis"][here] = Basis.MARKED
    batch.add("point_facts", rows)


def _insert(batch: Batch, before: Ints, change: Ints) -> None:
    facts = batch.tables["point_facts"]
    rank = facts["rank"][before] - 0.5
    point = batch.add(
        "point",
        {"change": change, "site": facts["site"][before], "run": facts["run"][before], "rank": rank,
         # names count on from the points that the run had: one insertion a run
         "name": batch.tables["run"]["count"][facts["run"][before]] + 1},
    )  # fmt: skip
    half = facts["length_m"][before] / 2
    new = _like(batch, before, change=change, at=change, point=point, rank=rank, length_m=half, kind=DEVICE,
                count_low=NONE, count_likely=NONE, count_high=NONE)  # fmt: skip
    rest = _like(batch, before, change=change, at=change, parent=point, length_m=half)
    batch.add("point_facts", new)
    batch.add("point_facts", rest)


def _remove(batch: Batch, point: Ints, change: Ints) -> None:
    rows = _like(
        batch, point, change=change, at=change, kind=SPLICE, device_kind=0, model=NONE, count_low=NONE,
        count_likely=NONE, count_high=NONE, current_basis=Basis.UNKNOWN, tap_power_w=np.nan,
        tap_basis=Basis.UNKNOWN,
    )  # fmt: skip
    batch.add("point_facts", rows)


def _swap(batch: Batch, swapped: Flags, change: Ints, last: Ints) -> None:
    chosen = np.flatnonzero(swapped)
    run, number = several(np.minimum(batch.tables["run"]["count"][chosen], 3))
    run = chosen[run]
    new = _like(batch, last[run] - number, change=change[run], at=change[run])
    known = new["model"] >= 0
    new["model"][known] = Model.WALL_AFTER
    batch.add("point_facts", new)


def _raise_taps(batch: Batch, raised: Flags, change: Ints) -> None:
    facts = batch.tables["point_facts"]
    rows = np.flatnonzero(raised[facts["run"]])
    run = facts["run"][rows]
    batch.add("point_facts", _like(batch, rows, change=change[run], at=change[run], tap_power_w=5.0))


def _replace_supplies(batch: Batch, chosen: Ints, change: Ints) -> None:
    runs, supplies = batch.tables["run"], batch.tables["supply"]
    supply = runs["supply"][chosen]
    larger = np.minimum(supplies["model"][supply] + 1, Model.SUPPLY_4)
    differs = larger != supplies["model"][supply]
    batch.add(
        "supply_facts",
        {"change": change[chosen][differs], "site": runs["site"][chosen][differs], "supply": supply[differs],
         "model": larger[differs]},
    )  # fmt: skip


def _move_gateways(batch: Batch, chosen: Ints, change: Ints) -> None:
    """To the last port of the switch, which was left free."""
    runs, facts = batch.tables["run"], batch.tables["endpoint_facts"]
    endpoint = batch.tables["output"]["endpoint"][runs["output"][chosen]]
    ports = batch.tables["switch_port"]
    switch = ports["switch"][facts["port"][endpoint]]
    last_port = np.searchsorted(ports["switch"], switch, side="right") - 1
    rows = {name: column[endpoint].copy() for name, column in facts.items()}
    rows["change"], rows["at"], rows["port"] = change[chosen], change[chosen], last_port
    batch.add("endpoint_facts", rows)
