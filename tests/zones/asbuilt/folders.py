"""Small folders of as-built files for tests, and a look at the record that knows nothing of files."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from django.db import models

from sites.models import (
    Amplifier,
    AmplifierFacts,
    Block,
    Closet,
    Contact,
    Coverage,
    Endpoint,
    EndpointFacts,
    Output,
    Site,
    Supply,
    SupplyFacts,
    Switch,
    SwitchFacts,
    SwitchPort,
    SwitchPortFacts,
)
from sites.models.changes import ChangeSet
from zones.asbuilt.intake import files_of
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import Imported, import_files
from zones.models import (
    ClipFacts,
    Landing,
    PagingSet,
    PagingSetZone,
    Point,
    PointFacts,
    Run,
    RunFacts,
    Test,
    Visit,
    Zone,
    ZoneEndpoint,
    ZoneFacts,
)
from zones.plant.corrections import corrections_of, undone

Rows = list[dict[str, str]]
Folder = dict[str, Rows]
NOW = dt.datetime(2026, 6, 1, 12, tzinfo=dt.UTC)


def change_row(name: str, day: str, reason: str, *, job: str = "") -> dict[str, str]:
    """One more change at the pier."""
    return {"site": "pier", "change": name, "day": day, "person": "Bo Ek", "job": job, "reason": reason}


def pier(code: str = "pier") -> Folder:
    """A pier with one run of three speakers, a change later, and a correction after that."""
    folder = _pier()
    for rows in folder.values():
        for row in rows:
            row |= {column: code for column in ("site", "code") if row.get(column) == "pier"}
    return folder


def _pier() -> Folder:
    s = {"site": "pier"}
    return {
        "device_models": [
            {"name": "ceiling 50", "kind": "ceiling_speaker", "full_output_current_a": "0.05"},
            {"name": "wall 80", "kind": "wall_speaker", "full_output_current_a": "0.08"},
            {"name": "supply 1 A", "kind": "supply", "rated_current_a": "1"},
            {"name": "supply 2 A", "kind": "supply", "rated_current_a": "2"},
            {"name": "gateway", "kind": "gateway", "output_count": "2", "poe_class": "3"},
            {"name": "switch 12", "kind": "switch", "power_supplies_max": "1", "poe_budget_w": "130"},
        ],
        "cable_types": [{"name": "cat 24", "gauge_awg": "24"}],
        "customers": [{"code": "ebb", "name": "Ebb Ferries"}],
        "contracts": [{"customer": "ebb", "reference": "E-1", "response_hours": "8"}],
        "sites": [
            {"code": "pier", "customer": "ebb", "name": "Ébb Pier", "time_zone": "America/Halifax"},
        ],
        "coverages": [
            {"customer": "ebb", "contract": "E-1", "site": "pier", "covered_from": "2019-01-01"},
        ],
        "changes": [
            s | {"change": "built", "day": "2019-05-02", "person": "Ida Vole", "job": "J1", "reason": "new"},
            s | {"change": "more", "day": "2023-03-14", "person": "Tor Lie", "job": "J2", "reason": "quiet"},
            s | {"change": "swap", "day": "2023-03-14", "person": "Tor Lie", "job": "J2", "reason": "hum"},
            s
            | {"change": "recount", "day": "2024-01-05", "person": "Ida Vole", "job": "", "reason": "counted"}
            | {"kind": "correction"},
        ],
        "closets": [s | {"name": "C1", "room": "behind the counter", "ladder_m": "2.4"}],
        "contacts": [s | {"role": "site", "name": "Åse Vold", "phone": "+1 902 555 0101"}],
        "switches": [s | {"name": "SW1", "closet": "C1", "owner": "customer", "model": "switch 12"}],
        "switch_ports": [s | {"switch": "SW1", "port": "1-4", "priority": "high"}],
        "endpoints": [
            s
            | {"name": "GW1", "closet": "C1", "model": "gateway", "switch": "SW1", "port": "1"}
            | {"cable_length_m": "12", "cable": "cat 24", "address": "10.1.2.3", "vlan": "7"},
        ],
        "outputs": [s | {"endpoint": "GW1", "output": "1-2", "terminal": "screw"}],
        "supplies": [
            s | {"name": "PS1", "closet": "C1", "change": "", "model": "supply 1 A", "outlet": "left"},
            s | {"name": "PS1", "closet": "", "change": "swap", "model": "supply 2 A", "outlet": ""},
        ],
        "blocks": [s | {"name": "B1", "closet": "C1", "kind": "66_split", "row_count": "25"}],
        "zones": [s | {"name": "Hall", "groups": "all | hall"}, s | {"name": "Gangway", "groups": "all"}],
        "paging_sets": [s | {"name": "boats", "zones": "Hall | Gangway"}],
        "runs": [
            s
            | {"name": "R1", "block": "B1", "kind": "self_amplified", "zone": "Hall", "endpoint": "GW1"}
            | {"output": "1", "supply": "PS1"},
        ],
        "points": [
            point("P1", length_m="30", length_basis="measured"),
            point("P2", parent="P1", length_m="8"),
            point(
                "rest", parent="P2", kind="uncounted_group", model="", count="~6 (4-9)", revised_by="recount"
            ),
            point("P3", parent="P2", change="more", model="wall 80", length_m="~5", place="mast, top"),
        ],
        "landings": [
            landing("1-2", "equipment", endpoint="GW1", output="1", pair="1", carries="audio"),
            landing("1-2", "field", run="R1", pair="1", carries="audio"),
            landing("3-4", "equipment", supply="PS1", pair="1", carries="dc"),
            landing("3-4", "field", run="R1", pair="2", carries="dc", ends="swap"),
            landing("3-4", "field", run="R1", pair="2", carries="dc_reversed", change="swap"),
        ],
        "clips": [s | {"block": "B1", "row": "3-4", "change": "more", "clip": "out"}],
        "tests": [
            taken("run_current", "0.21", test="first", run="R1"),
            taken("run_current", "0.12", supersedes="first", run="R1"),
            taken("end_voltage", "21.5", run="R1", point="P2", after="more"),
        ],
    }


def point(name: str, **cells: str) -> dict[str, str]:
    usual = {"model": "ceiling 50", "cable": "cat 24", "pairs": "2"}
    return {"site": "pier", "run": "R1", "point": name} | usual | cells


def landing(row: str, side: str, **cells: str) -> dict[str, str]:
    return {"site": "pier", "block": "B1", "row": row, "side": side} | cells


def taken(kind: str, value: str, **cells: str) -> dict[str, str]:
    said = {"kind": kind, "state": "paging", "value": value, "taken_on": "2023-03-14"}
    return {"site": "pier"} | said | cells


def with_tests_of_every_kind() -> Folder:
    """The folder with an instrument, a visit, and a test of each kind on it."""
    folder = pier()
    folder["instruments"] = [
        {
            "name": "tester 4", "kind": "insulation_tester", "serial": "L-00441", "note": "in the van",
            "calibrated_on": "2022-11-01", "calibration_due_on": "2023-11-01",
        }
    ]  # fmt: skip
    on_site = {"site": "pier", "closet": "C1", "technician": "Bo Ek", "job_reference": "T-40718"}
    folder["visits"] = [{**on_site, "visited_on": "2023-03-14", "note": "lamp out"}]
    usual = {
        "site": "pier", "taken_on": "2023-03-14", "taken_at": "09:05", "taken_as": "as_left", "run": "R1",
        "technician": "Bo Ek", "visit_technician": "Bo Ek", "visit_closet": "C1",
        "instrument": "tester 4", "instrument_record": "tester 4", "calibration_due_on": "2023-11-01",
    }  # fmt: skip
    said: dict[str, dict[str, str]] = {
        "continuity": {"passed": "yes"},
        "shorts": {"passed": "no"},
        "polarity": {"passed": "yes"},
        "tone_trace": {"passed": "yes"},
        "end_voltage": {"state": "paging", "signal": "tone", "value": "20.1", "point": "P1"},
        "run_current": {"state": "idle", "value": "0.05"},
        "loop_resistance": {"value": "3.37", "unit": "ohm", "point": "P1"},
        "line_impedance": {"value": "20000"},
        "insulation": {"value": "5.5e8", "electronics_disconnected": "yes"},
        "listening": {"state": "paging", "passed": "yes", "run": "", "zone": "Hall"},
        "level": {"state": "paging", "value": "-4.1", "point": "P1"},
        "poe_power": {"state": "paging", "value": "48", "run": "", "switch": "SW1", "power_group": "1"},
    }
    folder["tests"] += [{**usual, "kind": kind, **cells} for kind, cells in said.items()]
    return folder


def as_files(
    folder: Mapping[str, Rows], *, separator: str = ",", encoding: str = "utf-8"
) -> dict[str, bytes]:
    """The folder as CSV; the columns of a file are those that any of its rows has."""
    files = {}
    for name, rows in folder.items():
        columns = list(dict.fromkeys(column for row in rows for column in row))
        out = io.StringIO()
        writer = csv.DictWriter(out, columns, restval="", delimiter=separator)
        writer.writeheader()
        writer.writerows(rows)
        files[f"{name}.csv"] = out.getvalue().encode(encoding)
    return files


def content_of(folder: Path) -> dict[str, bytes]:
    """The files of a folder as an import takes them, all of them good."""
    files, problems = files_of(folder)
    assert not problems
    return {name: path.read_bytes() for name, path in files.items()}


def take(folder: Mapping[str, Rows], **options: Any) -> Imported:
    return import_files(as_files(folder), Importer(actor="Mila Quay", now=NOW), **options)


# --- the record

_OF_SITES: tuple[type[models.Model], ...] = (
    *(Closet, Contact, Switch, SwitchPort, Supply, Amplifier, Endpoint, Output, Block, Zone, ZoneEndpoint),
    *(PagingSet, PagingSetZone, Run, Point, Landing, Visit, Test),
    *(
        SwitchFacts,
        SwitchPortFacts,
        SupplyFacts,
        AmplifierFacts,
        EndpointFacts,
        RunFacts,
        PointFacts,
        ClipFacts,
        ZoneFacts,
    ),
)
_NOT_COMPARED = {"id", "site_id", "pk"}


def record_of(site: Site) -> dict[str, list[str]]:
    """Every row of a site's record, read table by table, with what it refers to described instead of its id.

    Left out: ids, and of change sets when and by which account they were recorded, whether quietly, and what
    operations made them. Steps stand as they are.
    """
    described = _Described(site)
    found = {
        "change_set": [
            repr(
                (
                    row.step,
                    row.kind,
                    row.purpose,
                    row.channel,
                    row.actor,
                    row.done_by,
                    row.reason,
                    row.job_reference,
                    row.happened_on,
                    row.planned,
                )
            )
            for row in ChangeSet.objects.filter(site=site, state="accepted").order_by("step")
        ],
        "coverage": sorted(
            repr((row.contract.reference, row.days.lower, row.days.upper))
            for row in Coverage.objects.filter(site=site).select_related("contract")
        ),
        "site": [repr(described.row(Site.objects.values().get(pk=site.pk)) | {"code": ""})],
    }
    for model in _OF_SITES:
        rows = model._default_manager.filter(site=site).values()
        found[model._meta.db_table] = sorted(
            repr({"model": model.__name__} | described.row(row)) for row in rows
        )
    return found


def versions_of(site: Site) -> list[dict[str, list[str]]]:
    """The rows of a site's record before each of its corrections, as the search for causes takes them:
    without ids, and without ranks, which a key carries along."""
    return [
        {table: sorted(_plain(row) for row in rows.values()) for table, rows in version.rows.items()}
        for corrections in corrections_of([site.pk]).values()
        for version in undone(corrections)
    ]


def _plain(row: Mapping[str, Any] | None) -> str:
    left_out = {"id", "code", "rank", "parent_rank", "version"}
    kept = {
        # JSON has 5 and 5.0 for the same number
        name: int(value) if isinstance(value, float) and value.is_integer() else value
        for name, value in (row or {}).items()
        if name not in left_out
    }
    return repr(sorted(item for item in kept.items() if not item[0].endswith("_id")))


class _Described:
    """Rows identified by what they say, owners first: a point by its run, its name and its order."""

    def __init__(self, site: Site) -> None:
        self._steps = dict(ChangeSet.objects.filter(site=site).values_list("id", "step"))
        self._rows: dict[str, dict[int, Any]] = {}
        for model in _OF_SITES:
            if model._meta.pk.name == "id":
                rows = model._default_manager.filter(site=site).order_by("id")
                column = model._meta.db_table
                self._rows[column] = {}
                for row in rows.values():
                    kept = {
                        name: value for name, value in row.items() if name not in ("note", "change_set_id")
                    }
                    self._rows[column][row["id"]] = repr(self.row(kept))

    def row(self, row: Mapping[str, Any]) -> dict[str, Any]:
        return {name: self._value(name, value) for name, value in row.items() if name not in _NOT_COMPARED}

    def _value(self, name: str, value: Any) -> Any:
        if name == "change_set_id":
            return self._steps[value]
        if value is None or not name.endswith("_id"):
            return value
        table = {"port_id": "switch_port", "parent_id": "point", "feed_supply_id": "supply"}.get(
            name, "reading" if name == "supersedes_id" else name.removesuffix("_id")
        )
        return self._rows.get(table, {}).get(value, value)  # what all sites share is the same row
