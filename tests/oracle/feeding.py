"""What changed around a subject at a step: of the rows that feed it those that begin or end there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from .record import FOREVER, Record, Row
from .values import SPLICE


@dataclass(frozen=True)
class Touched:
    """A row that begins or ends at the step. thing: table and id, where rows of the table follow each other
    as the facts of one thing; None where they only come and go."""

    table: str
    row: Row
    thing: tuple[str, int] | None


FOLLOWING = {
    "runs",
    "points",
    "supplies",
    "amplifiers",
    "endpoints",
    "outputs",
    "switches",
    "ports",
    "addresses",
    "clips",
    "zones",
}
Rows = dict[str, list[Row]]


def touched_at(record: Record, key: tuple[str, int, str], step: int) -> tuple[int, list[Touched]]:
    """The nearest rows first; the site's whole record where none of those that feed the subject changed.
    Returns how near they are, and the rows."""
    kind, id_, code = key
    levels = _LEVELS[code if code == "address_used_twice" else kind](record, id_, step)
    for nearness, near in enumerate(levels):
        found = [
            Touched(table, row, (table, row.thing) if table in FOLLOWING else None)
            for table, rows in near.items()
            for row in rows
            if row.touches(step)
        ]
        if found:
            return nearness, found
    return -1, []


def adds_load(touched: list[Touched], step: int) -> bool:
    """A device, an endpoint or another load was added, or more of them were counted."""
    things = {each.thing for each in touched if each.thing is not None}
    for thing in things:
        rows = [each.row for each in touched if each.thing == thing]
        before = next((row for row in rows if row.end == step), None)
        after = next((row for row in rows if row.begin == step), None)
        if after is not None and _ADDS.get(thing[0], _nothing)(before, after):
            return True
    return False


def _nothing(before: Row | None, after: Row) -> bool:
    return False


def _point_adds(before: Row | None, after: Row) -> bool:
    def devices(row: Row | None) -> float:
        if row is None or row["kind"] == SPLICE:
            return -1.0
        return float(row["count_likely"]) if row["count_likely"] is not None else 1.0

    return devices(after) > devices(before)


def _port_adds(before: Row | None, after: Row) -> bool:
    return bool(after["other_load"]) and not (before is not None and before["other_load"])


def _endpoint_adds(before: Row | None, after: Row) -> bool:
    return before is None


_ADDS: dict[str, Callable[[Row | None, Row], bool]] = {
    "points": _point_adds,
    "ports": _port_adds,
    "endpoints": _endpoint_adds,
}


# --- what feeds what ------------------------------------------------------------------------------------


def _of(rows: list[Row], things: set[int | None]) -> list[Row]:
    return [row for row in rows if row.thing in things]


def _of_runs(record: Record, runs: set[int], step: int) -> Rows:
    """The rows of some runs, of what feeds them then, and of what is paged to them, and who pages
    together."""
    now = [row for row in record.runs if row.thing in runs and row.around(step)]
    points = [row for row in record.points if row["run_id"] in runs]
    supplies = {row["supply_id"] for row in now} | {row["feed_supply_id"] for row in points}
    return {
        "runs": [row for row in record.runs if row.thing in runs],
        "points": points,
        "supplies": _of(record.supplies, supplies),
        "outputs": _of(record.outputs, {row["output_id"] for row in now}),
        "amplifiers": _of(record.amplifiers, {row["amplifier_id"] for row in now}),
        "readings": [
            Row(reading.run, reading.step, FOREVER, reading.writer, {})
            for reading in record.readings
            if reading.run is not None and reading.run in runs
        ],
        "zones": [
            row
            for row in _with_another_signal(record, step)
            if row.thing in {run["zone_id"] for run in now if record.run_kind[run.thing] == "self_amplified"}
        ],
        "paging": record.paging,
    }


def _with_another_signal(record: Record, step: int) -> list[Row]:
    """The rows of zones of which one ends at the step and another begins."""
    ended = {row.thing for row in record.zones if row.end == step}
    begun = {row.thing for row in record.zones if row.begin == step}
    return _of(record.zones, {*(ended & begun)})


def _runs_on(record: Record, column: str, source: int, step: int) -> set[int]:
    runs = {row.thing for row in record.runs if row.around(step) and row[column] == source}
    if column == "supply_id":
        runs |= {
            row["run_id"] for row in record.points if row.around(step) and row["feed_supply_id"] == source
        }
    return runs


def _run(record: Record, id_: int, step: int) -> Iterator[Rows]:
    """Its own rows; then those of the runs beside it, on the same source."""
    yield _of_runs(record, {id_}, step)
    own = [row for row in record.runs if row.thing == id_ and row.around(step)]
    beside = {id_}
    fed = {row["feed_supply_id"] for row in record.points if row["run_id"] == id_ and row.around(step)}
    for column in ("supply_id", "output_id", "amplifier_id"):
        sources = {row[column] for row in own} | (fed if column == "supply_id" else set())
        for source in sources - {None}:
            beside |= _runs_on(record, column, source, step)
    yield _of_runs(record, beside, step)
    yield _everything(record)


def _source(table: str, column: str) -> Callable[[Record, int, int], Iterator[Rows]]:
    def near(record: Record, id_: int, step: int) -> Iterator[Rows]:
        rows = _of_runs(record, _runs_on(record, column, id_, step), step)
        kept = {"runs", "points"} | ({"paging", "zones"} if table == "supplies" else set())
        yield {name: rows[name] for name in kept} | {table: _of(getattr(record, table), {id_})}
        yield _everything(record)

    return near


def _endpoints_on(record: Record, ports: set[int], step: int) -> list[Row]:
    there = {row.thing for row in record.endpoints if row.around(step) and row["port_id"] in ports}
    return [row for row in record.endpoints if row.thing in there]


def _switch(record: Record, id_: int, step: int) -> Iterator[Rows]:
    ports = {port for port, switch in record.port_switch.items() if switch == id_}
    yield {
        "switches": _of(record.switches, {id_}),
        "ports": [row for row in record.ports if row.thing in ports],
        "endpoints": _endpoints_on(record, ports, step),
        "poe_readings": list(_poe_readings(record, id_)),
    }
    yield _everything(record)


def _poe_readings(record: Record, switch: int) -> Iterator[Row]:
    """What was read of a switch holds until it is read again in that state."""
    for state in ("idle", "paging"):
        taken = [each for each in record.readings if each.switch == switch and each.state == state]
        steps = sorted({each.step for each in taken})
        for place, step in enumerate(steps):
            end = steps[place + 1] if place + 1 < len(steps) else FOREVER
            yield Row(switch, step, end, max(each.writer for each in taken if each.step == step), {})


def _port(record: Record, id_: int, step: int) -> Iterator[Rows]:
    yield {"ports": _of(record.ports, {id_}), "endpoints": _endpoints_on(record, {id_}, step)}
    yield {"switches": _of(record.switches, {record.port_switch[id_]})}
    yield _everything(record)


def _endpoint(record: Record, id_: int, _step: int) -> Iterator[Rows]:
    yield {"endpoints": _of(record.endpoints, {id_})}
    yield _everything(record)


def _address(record: Record, id_: int, step: int) -> Iterator[Rows]:
    """Those that have its address, before or after."""
    own = {
        (row["address"], row["vlan"])
        for row in record.endpoints
        if row.thing == id_ and row.around(step) and row["address"] is not None
    }
    yield {"addresses": [row for row in record.endpoints if (row["address"], row["vlan"]) in own]}


def _block(record: Record, id_: int, step: int) -> Iterator[Rows]:
    yield {
        "landings": [row for row in record.landings if row["block_id"] == id_],
        "clips": [row for row in record.clips if row["block_id"] == id_],
    }
    with_another_signal = _with_another_signal(record, step)
    yield {"zones": [row for row in record.zones if row not in with_another_signal]}
    yield _everything(record)


def _everything(record: Record) -> Rows:
    return record.tables()


_LEVELS: dict[str, Callable[[Record, int, int], Iterator[Rows]]] = {
    "run": _run,
    "output": _source("outputs", "output_id"),
    "supply": _source("supplies", "supply_id"),
    "amplifier": _source("amplifiers", "amplifier_id"),
    "switch": _switch,
    "port": _port,
    "endpoint": _endpoint,
    "address_used_twice": _address,
    "block": _block,
}
