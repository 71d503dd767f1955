"""One site's record as plain rows: what holds from when to when, and who last wrote it.

Read table by table with the ORM and spread out in Python. A row holds for steps ``begin <= step < end``;
facts hold from their step until the next ones of the same thing, and no longer than the thing stands. Blank
is None, everywhere.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sites.changes.steps import first_step_after
from sites.models import (
    Amplifier,
    AmplifierFacts,
    Block,
    CableType,
    Change,
    ChangeSet,
    Coverage,
    DeviceModel,
    Endpoint,
    EndpointFacts,
    Factor,
    Output,
    Site,
    Supply,
    SupplyFacts,
    Switch,
    SwitchFacts,
    SwitchPort,
    SwitchPortFacts,
)
from zones.models import (
    ClipFacts,
    Landing,
    PagingSet,
    PagingSetZone,
    Point,
    PointFacts,
    ProofsKept,
    Run,
    RunFacts,
    Test,
    Zone,
    ZoneFacts,
)

FOREVER = 2**62
FIRST, MIDDLE, LAST = range(3)
RowsOf = Callable[[Any], list[dict[str, Any]]]


@dataclass(frozen=True)
class Row:
    """What is said of one thing from a step to a step. said: the columns; writer: the change set."""

    thing: int
    begin: int
    end: int
    writer: int
    said: dict[str, Any]

    def __getitem__(self, column: str) -> Any:
        return self.said.get(column)

    def holds(self, step: int) -> bool:
        return self.begin <= step < self.end

    def touches(self, step: int) -> bool:
        """It begins or ends there."""
        return step in (self.begin, self.end)

    def around(self, step: int) -> bool:
        """It holds at the step, or held right before it."""
        return self.begin <= step <= self.end


@dataclass(frozen=True)
class ReadingRow:
    """A test that none supersedes. taken: by what those of a day are in order; step: whose record was tested.
    state: idle, paging, or of a run's tone, a steady one at full level;
    empty on a dead wire. value: None of a kind that passes or fails."""

    id: int
    kind: str
    state: str
    run: int | None
    point: int | None
    switch: int | None
    group: int | None
    value: Any
    passed: bool | None
    source_voltage_v: float | None
    instrument_error: float | None
    temperature_c: float | None
    taken: tuple[str, int]
    step: int
    writer: int


@dataclass(frozen=True)
class Covered:
    """A contract and the days on which it covers the site. end: the first day on which it does not, None: for
    good. months: its interval of tests, None: it has none."""

    contract: int
    first: dt.date
    end: dt.date | None
    months: int | None


@dataclass(frozen=True)
class ChangeSetSaid:
    id: int
    step: int | None
    kind: str
    recorded_at: dt.datetime


@dataclass
class Record:
    """Everything recorded of one site. Rows by table; what never changes by id. readings: the tests that bear
    on a load or a limit of it; tests: all. served: by endpoint and step of its facts, the day on which it was
    first recorded that these say in service."""

    site: int
    temperature_c: float
    surveyed_on: dt.date | None
    commissioned_on: dt.date | None
    time_zone: str
    jurisdiction: str | None = None
    run_kind: dict[int, str] = field(default_factory=dict)
    run_block_kind: dict[int, str] = field(default_factory=dict)
    block_kind: dict[int, str] = field(default_factory=dict)
    point_order: dict[int, tuple[int, float, int]] = field(default_factory=dict)
    output_endpoint: dict[int, int] = field(default_factory=dict)
    port_switch: dict[int, int] = field(default_factory=dict)
    runs: list[Row] = field(default_factory=list)
    points: list[Row] = field(default_factory=list)
    supplies: list[Row] = field(default_factory=list)
    amplifiers: list[Row] = field(default_factory=list)
    endpoints: list[Row] = field(default_factory=list)
    outputs: list[Row] = field(default_factory=list)
    switches: list[Row] = field(default_factory=list)
    ports: list[Row] = field(default_factory=list)
    landings: list[Row] = field(default_factory=list)
    clips: list[Row] = field(default_factory=list)
    zones: list[Row] = field(default_factory=list)
    paging: list[Row] = field(default_factory=list)
    readings: list[ReadingRow] = field(default_factory=list)
    tests: list[ReadingRow] = field(default_factory=list)
    covered: list[Covered] = field(default_factory=list)
    proofs_kept: dt.date | None = None
    served: dict[tuple[int, int], dt.date] = field(default_factory=dict)
    models: dict[int, dict[str, Any]] = field(default_factory=dict)
    cables: dict[int, dict[str, Any]] = field(default_factory=dict)
    factors: dict[str, float] = field(default_factory=dict)
    change_sets: dict[int, ChangeSetSaid] = field(default_factory=dict)

    def model(self, id_: int | None) -> dict[str, Any]:
        """Ratings of a model; of an unknown one none is known."""
        return self.models[id_] if id_ is not None else {}

    def share_before(self, row: Row) -> Row:
        """The first share of the same segment, which begins where the whole segment does; any row that is not
        a share, itself."""
        found = row
        while found["length_share_place"] != FIRST and row["length_share_place"] in (MIDDLE, LAST):
            parent = found["parent_id"]
            above = [each for each in self.points if each.thing == parent and each.holds(row.begin)]
            if not above:
                return row  # what it was cut from does not stand there
            found = above[0]
        return found

    def whole_to(self, row: Row) -> int:
        """The point that a segment leads to; of a share the one that the whole leads to."""
        for last in self.points:
            if last["length_share_place"] != LAST or row["length_share_place"] not in (FIRST, MIDDLE):
                continue
            step = max(last.begin, row.begin)
            at: Row | None = last
            while at is not None and last.holds(step) and row.holds(step):
                if at is row:
                    return last.thing
                above = at["parent_id"] if at["length_share_place"] != FIRST else None
                at = next((each for each in self.points if each.thing == above and each.holds(step)), None)
        return row.thing

    def steps(self) -> list[int]:
        """Every step at which anything that is recorded begins or ends, in order."""
        found = {reading.step for reading in self.readings}
        for rows in self.tables().values():
            found |= {edge for row in rows for edge in (row.begin, row.end)}
        return sorted(found - {FOREVER})

    def tables(self) -> dict[str, list[Row]]:
        names = (
            "runs", "points", "supplies", "amplifiers", "endpoints", "outputs", "switches", "ports",
            "landings", "clips", "zones", "paging",
        )  # fmt: skip
        return {name: getattr(self, name) for name in names}


def read_record(site_id: int, tables: Mapping[str, Mapping[Any, dict[str, Any]]] | None = None) -> Record:
    """The record of a site as it is known now, or as it would be if these were its tables."""

    def rows_of(model: Any) -> list[dict[str, Any]]:
        if tables is not None and model._meta.db_table in tables:
            return [dict(row) for row in tables[model._meta.db_table].values()]
        shared = model in (DeviceModel, CableType)
        return list((model.objects if shared else model._default_manager.filter(site_id=site_id)).values())

    site = Site.objects.get(pk=site_id)
    record = Record(
        site_id,
        site.design_temperature_c,
        site.surveyed_on,
        site.commissioned_on,
        site.time_zone,
        site.jurisdiction,
    )
    record.factors = {row.name: row.value for row in Factor.objects.all()}
    record.models = {row["id"]: row for row in rows_of(DeviceModel)}
    record.cables = {row["id"]: row for row in rows_of(CableType)}
    record.change_sets = {
        row.pk: ChangeSetSaid(row.pk, row.step, row.kind, row.recorded_at)
        for row in ChangeSet.objects.filter(site=site_id, state="accepted")
        if row.recorded_at is not None
    }
    runs = rows_of(Run)
    standing_blocks = rows_of(Block)
    blocks = record.block_kind = {row["id"]: row["kind"] for row in standing_blocks}
    record.run_kind = {row["id"]: row["kind"] for row in runs}
    record.run_block_kind = {row["id"]: blocks[row["block_id"]] for row in runs}
    record.runs = list(_with_facts(runs, rows_of(RunFacts), "run_id"))
    _read_points(record, rows_of, {row["id"]: row for row in runs})
    for name, things, facts, key in (
        ("supplies", Supply, SupplyFacts, "supply_id"),
        ("amplifiers", Amplifier, AmplifierFacts, "amplifier_id"),
        ("endpoints", Endpoint, EndpointFacts, "endpoint_id"),
        ("switches", Switch, SwitchFacts, "switch_id"),
        ("ports", SwitchPort, SwitchPortFacts, "port_id"),
        ("zones", Zone, ZoneFacts, "zone_id"),
    ):
        setattr(record, name, list(_with_facts(rows_of(things), rows_of(facts), key)))
    record.port_switch = {row["id"]: row["switch_id"] for row in rows_of(SwitchPort)}
    _read_outputs(record, rows_of)
    record.landings = list(_standing(rows_of(Landing)))
    record.clips = list(_clips(standing_blocks, rows_of(ClipFacts)))
    _read_paging(record, rows_of)
    _read_readings(record, rows_of)
    _read_covered(record)
    return record


def _end(thing: dict[str, Any]) -> int:
    return FOREVER if thing["end_step"] is None else int(thing["end_step"])


def _standing(things: Iterable[dict[str, Any]]) -> Iterator[Row]:
    for thing in things:
        if thing["begin_step"] < _end(thing):
            yield Row(thing["id"], thing["begin_step"], _end(thing), thing["change_set_id"], thing)


def _with_facts(things: Iterable[dict[str, Any]], facts: Iterable[dict[str, Any]], key: str) -> Iterator[Row]:
    """What is said of each thing for as long as it stands. Before its first facts nothing is known of it."""
    said: dict[int, list[dict[str, Any]]] = {}
    for row in facts:
        said.setdefault(row[key], []).append(row)
    for thing in things:
        rows = sorted(said.get(thing["id"], []), key=lambda row: row["step"])
        if not rows or rows[0]["step"] > thing["begin_step"]:
            rows.insert(0, {"step": thing["begin_step"], "change_set_id": thing["change_set_id"]})
        yield from _spread(thing["id"], rows, thing["begin_step"], _end(thing))


def _clips(blocks: list[dict[str, Any]], facts: list[dict[str, Any]]) -> Iterator[Row]:
    """What is said of each row's clip while its block stands. The clip is a thing of its own."""
    for block in blocks:
        said: dict[int, list[dict[str, Any]]] = {}
        for row in facts:
            if row["block_id"] == block["id"]:
                said.setdefault(row["row"], []).append(row)
        for number, rows in said.items():
            in_order = sorted(rows, key=lambda row: row["step"])
            yield from _spread(block["id"] * 1000 + number, in_order, block["begin_step"], _end(block))


def _spread(thing: int, rows: list[dict[str, Any]], first: int, last: int) -> Iterator[Row]:
    for place, row in enumerate(rows):
        begin = max(row["step"], first)
        end = min(rows[place + 1]["step"] if place + 1 < len(rows) else FOREVER, last)
        if begin < end:
            yield Row(thing, begin, end, row["change_set_id"], row)


def _read_points(record: Record, rows_of: RowsOf, runs: dict[int, dict[str, Any]]) -> None:
    said: dict[int, list[dict[str, Any]]] = {}
    for row in rows_of(PointFacts):
        said.setdefault(row["point_id"], []).append(row)
    for point in rows_of(Point):
        record.point_order[point["id"]] = (point["run_id"], point["rank"], point["id"])
        rows = sorted(said.get(point["id"], []), key=lambda row: row["step"])
        run = runs[point["run_id"]]
        for held in _spread(point["id"], rows, run["begin_step"], _end(run)):
            record.points += _by_temperature(held, [each for each in record.runs if each.thing == run["id"]])
    record.points.sort(key=lambda row: (record.point_order[row.thing], row.begin))


def _by_temperature(point: Row, runs: list[Row]) -> Iterator[Row]:
    """What is said of a point, split where the design temperature of its run becomes another one."""
    at = "design_temperature_c"
    changes = [
        later
        for earlier, later in itertools.pairwise(runs)
        if earlier[at] != later[at] and point.begin < later.begin < point.end
    ]
    begins = [(point.begin, point.writer)] + [(run.begin, run.writer) for run in changes]
    for place, (begin, writer) in enumerate(begins):
        end = begins[place + 1][0] if place + 1 < len(begins) else point.end
        (run,) = [each for each in runs if each.holds(begin)]
        yield Row(point.thing, begin, end, writer, {**point.said, at: run[at]})


def _read_outputs(record: Record, rows_of: RowsOf) -> None:
    """What an output is follows its endpoint's model: one row a stretch of both."""
    for output in _standing(rows_of(Output)):
        record.output_endpoint[output.thing] = output["endpoint_id"]
        for endpoint in record.endpoints:
            if endpoint.thing != output["endpoint_id"]:
                continue
            begin, end = max(output.begin, endpoint.begin), min(output.end, endpoint.end)
            if begin < end:
                writer = output.writer if output.begin > endpoint.begin else endpoint.writer
                model = endpoint["model_id"]
                record.outputs.append(Row(output.thing, begin, end, writer, {"model_id": model}))


def _read_paging(record: Record, rows_of: RowsOf) -> None:
    sets = {row["id"]: row for row in rows_of(PagingSet)}
    for member in rows_of(PagingSetZone):
        of = sets[member["paging_set_id"]]
        if of["begin_step"] < _end(of):
            said = {"zone_id": member["zone_id"]}
            record.paging.append(Row(of["id"], of["begin_step"], _end(of), member["change_set_id"], said))


def _read_readings(record: Record, rows_of: RowsOf) -> None:
    """A test of which only what was measured bears on a figure is no reading."""
    rows = rows_of(Test)
    superseded = {row["supersedes_id"] for row in rows}
    by_id = {row["id"]: row for row in rows}
    untimed = {_alike(row) for row in rows if row["id"] not in superseded and not row["taken_at"]}
    for row in sorted(rows, key=lambda row: row["id"]):
        if row["id"] not in superseded:
            record.tests.append(
                ReadingRow(
                    id=row["id"],
                    kind=row["kind"],
                    state="tone" if row["signal"] == "tone" and row["run_id"] else row["state"] or "",
                    run=row["run_id"],
                    point=row["point_id"],
                    switch=row["switch_id"],
                    group=row["power_group"],
                    value=row["value"],
                    passed=row["passed"],
                    source_voltage_v=row["source_voltage_v"],
                    instrument_error=row["instrument_error"],
                    temperature_c=row["temperature_c"],
                    taken=_taken(row, by_id, timed=_alike(row) not in untimed),
                    step=_tested_at(record, row),
                    writer=row["change_set_id"],
                )
            )
    record.readings = [row for row in record.tests if row.kind in _BEARING]


def _taken(row: dict[str, Any], by_id: Mapping[int, dict[str, Any]], *, timed: bool) -> tuple[str, int]:
    """By the clock, where that was looked at for all of them; else as found comes first. Written down wrongly
    and again, it was taken when it was taken."""
    first = row
    while first["supersedes_id"] is not None:
        first = by_id[first["supersedes_id"]]
    return row["taken_at"] if timed else "0" if row["taken_as"] == "as_found" else "1", first["id"]


def _alike(row: dict[str, Any]) -> tuple[Any, ...]:
    return tuple(row[name] for name in ("run_id", "switch_id", "zone_id", "kind", "taken_on"))


def _tested_at(record: Record, row: dict[str, Any]) -> int:
    """As found is before the work of its day, where what was tested stood by then; a survey writes down what
    it found."""
    taken_on = dt.date.fromisoformat(str(row["taken_on"]))  # of an earlier version of the record it is text
    morning = first_step_after(taken_on - dt.timedelta(days=1))
    of = record.runs if row["point_id"] is None else record.points
    thing = row["run_id"] if row["point_id"] is None else row["point_id"]
    stood = any(one.thing == thing and one.begin < morning for one in of)
    if stood and row["taken_as"] == "as_found" and record.surveyed_on != taken_on:
        return morning
    return int(row["step"])


_BEARING = ("run_current", "end_voltage", "poe_power")


def _read_covered(record: Record) -> None:
    for row in Coverage.objects.filter(site_id=record.site).select_related("contract"):
        days, contract = row.days, row.contract
        record.covered.append(Covered(contract.pk, days.lower, days.upper, contract.test_interval_months))
    kept = ProofsKept.objects.first()
    record.proofs_kept = None if kept is None else kept.since
    written = Change.objects.filter(site_id=record.site, table_name="endpoint_facts").order_by("id")
    for change in written:
        writer = record.change_sets.get(change.change_set_id)
        for row in change.new_rows or []:
            if writer is not None and row.get("service") == "in_service":
                key = row["endpoint_id"], row["step"]
                day = writer.recorded_at.date()
                record.served[key] = min(record.served.get(key, day), day)
