"""The SQL by which the record is read: one query a table of the plant, for any number of sites.

The arrays of a table say what is read: a column is the field of that name in the facts or in the catalogue.
Only what has another name there, or is computed, is written out. ``x_index`` is read as the id of its x.

A thing's dated facts are read beside the thing itself. Where a thing stands before its first facts, a row of
unknowns holds from its beginning, so that it is there on every day on which it stands.
"""

# ruff: noqa: S608 - every name in the SQL is in this file
from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from enum import Enum, IntEnum
from typing import Any

from django.db.models import Model

from sites.changes.steps import STEPS_A_DAY
from sites.models import (
    AmplifierFacts,
    Block,
    CableType,
    DeviceModel,
    EndpointFacts,
    Site,
    SupplyFacts,
    SwitchFacts,
    SwitchPort,
    SwitchPortFacts,
)
from zones.electrical import plant as electrical
from zones.electrical.bands import DeviceKind, Factors
from zones.electrical.proofs import ProofTest
from zones.models import KINDS, ClipFacts, Landing, PointFacts, Run, RunFacts, Test, ZoneEndpoint, ZoneFacts
from zones.plant.columns import Query, array_of
from zones.selectors import place_in_day

FOREVER = "9223372036854775807"
OWN = "id"
"""Marks the array that names the thing of a row: it is fetched once, as ``id``."""
JOINED = "joined"
"""Marks an array that is not read: it follows from another table."""
_OF_EVERY_TABLE = {field.name for field in fields(electrical.Table)}


def _query(
    rows: str,
    base: dict[str, str],
    table: type[Any],
    *sources: tuple[str, type[Model]],
    also: dict[str, str] | None = None,
    **sql_of: str,
) -> Query:
    """The query of a table of the plant: ``base`` and a column for each of its arrays.

    sources: aliases in ``rows``, with the model whose columns they have; the first that has a field is asked.
    sql_of: SQL of arrays that are not fields. also: numbers that no array holds as they are.
    """
    whole, real = dict(base), dict(also or {})
    for field in fields(table):
        if field.name not in _OF_EVERY_TABLE:
            sql = sql_of.get(field.name) or _column(field.name, sources)
            if sql not in (OWN, JOINED):
                (real if field.type == "FloatArray" else whole)[field.name] = sql
    return Query(rows=rows, whole=whole, real=real)


def _column(array: str, sources: Sequence[tuple[str, type[Model]]]) -> str:
    for alias, model in sources:
        for field in model._meta.concrete_fields:
            if array.removesuffix("_index") in (field.name, field.attname):
                yes_or_no = "::int" if field.get_internal_type() == "BooleanField" else ""
                return f'{alias}."{field.column}"{yes_or_no}'
    raise LookupError(f"no column is called as the array {array}")


def _number(column: str, numbers: type[IntEnum], words: type[Enum]) -> str:
    """SQL for the plant's number of a word of the record, which has the same name; NULL for another word."""
    listed = ", ".join(f"'{getattr(words, number.name, '')}'" for number in numbers)
    return f"array_position(ARRAY[{listed}], {column}::text) - 1"


def _span(thing: str) -> dict[str, str]:
    return {
        "site": f"{thing}.site_id",
        "first_step": f"{thing}.begin_step",
        "last_step": f"coalesce({thing}.end_step, {FOREVER})",
    }


_THING = {"id": "t.id", **_span("t"), "step": "t.begin_step", "changed_by": "t.change_set_id"}


def _rows_of(table: str) -> str:
    return f'FROM "{table}" t WHERE t.site_id = ANY({{ids}})'


_FACTS = {
    "id": "t.id",
    **_span("t"),
    "step": "s.step",
    "changed_by": "coalesce(f.change_set_id, t.change_set_id)",
}


def _dated(
    table: str,
    rows: type[Any],
    facts: type[Model],
    *sources: tuple[str, type[Model]],
    base: dict[str, str] | None = None,
    also: dict[str, str] | None = None,
    **sql_of: str,
) -> Query:
    """The query of things with dated facts. In its SQL, t: the thing, f: its facts, m: the model of those."""
    kind, of_facts = table.removeprefix("switch_"), facts._meta.db_table
    join = ""
    if any(field.name == "model" for field in facts._meta.fields):
        join, sources = "LEFT JOIN device_model m ON m.id = f.model_id", (*sources, ("m", DeviceModel))
    return _query(
        f"""FROM "{table}" t
        JOIN (
            SELECT {kind}_id AS id, step FROM {of_facts} WHERE site_id = ANY({{ids}})
            UNION SELECT id, begin_step FROM "{table}" WHERE site_id = ANY({{ids}})
        ) s ON s.id = t.id
        LEFT JOIN {of_facts} f ON f.{kind}_id = s.id AND f.step = s.step
        {join}
        WHERE t.site_id = ANY({{ids}})""",
        _FACTS | (base or {}),
        rows,
        ("f", facts),
        *sources,
        also=also,
        **{f"{kind}_index": OWN},
        **sql_of,
    )


def _day(column: str) -> str:
    """SQL for the ordinal number of a day."""
    return f"({column}) - DATE '0001-01-01' + 1"


SITES = Query(
    whole={
        "id": "id",
        "surveyed_on": _day("surveyed_on"),
        "proofs_since": _day("SELECT since FROM proofs_kept"),
        "jurisdiction": _number("jurisdiction", electrical.Jurisdiction, Site.Jurisdiction),
    },
    real={"temperature_c": "design_temperature_c"},
    rows="FROM site WHERE id = ANY({ids})",
)

RUNS = _dated(
    "run",
    electrical.RunRows,
    RunFacts,
    base={
        "block_index": "t.block_id",
        "kind": _number("t.kind", electrical.RunKind, Run.Kind),
    },
)

# How many devices are at a point: an uncounted group's range, one device, none at a splice
_COUNTS = {
    name: f"CASE f.kind WHEN {electrical.PointKind.UNCOUNTED_GROUP} THEN f.{name}"
    f" WHEN {electrical.PointKind.DEVICE} THEN 1 ELSE 0 END"
    for name in ("count_low", "count_likely", "count_high")
}
# A point stands as long as its run does; its facts carry its run and rank.
POINTS = _query(
    # Without the sites of the run, the whole fleet's runs are read for one site's; with "the same site" as
    # join condition, sites are merge-joined, and every point is compared with every run of its site
    "FROM point_facts f JOIN run t ON t.id = f.run_id"
    " WHERE f.site_id = ANY({ids}) AND t.site_id = ANY({ids})",
    {
        "id": "f.point_id",
        **_span("t"),
        "site": "f.site_id",
        "step": "f.step",
        "changed_by": "f.change_set_id",
    },
    electrical.PointRows,
    ("f", PointFacts),
    point_index=OWN,
    cable_index="f.cable_type_id",
    design_temperature_c=JOINED,
    **_COUNTS,
    also={"rank": "f.rank"},
)

SUPPLIES = _dated("supply", electrical.SupplyRows, SupplyFacts)
AMPLIFIERS = _dated(
    "amplifier",
    electrical.AmplifierRows,
    AmplifierFacts,
    output_class=_number("m.output_class", electrical.OutputClass, DeviceModel.OutputClass),
)
SWITCHES = _dated(
    "switch",
    electrical.SwitchRows,
    SwitchFacts,
    budget_w="m.poe_budget_w",
    budget_one_lost_w="m.poe_budget_one_lost_w",
)
PORTS = _dated(
    "switch_port",
    electrical.PortRows,
    SwitchPortFacts,
    ("t", SwitchPort),
    priority=f"coalesce({_number('f.priority', electrical.PortPriority, SwitchPortFacts.Priority)},"
    f" {electrical.PortPriority.LOW})",
    other_load="coalesce(f.other_load <> '', false)::int",
    other_class="f.other_load_class",
    other_power_w="f.other_load_power_w",
)

# A row names who wrote it last. Where that was a correction of something else of the row, the change record
# knows who first said that the endpoint is in service.
_FIRST_SAID = f"""SELECT CASE WHEN c.step = f.step THEN c.recorded_at ELSE least(c.recorded_at, (
        SELECT min(w.recorded_at)
        FROM change n JOIN change_set w ON w.id = n.change_set_id AND w.state = 'accepted'
        CROSS JOIN jsonb_array_elements(n.new_rows) said
        WHERE n.site_id = t.site_id AND n.table_name = '{EndpointFacts._meta.db_table}'
            AND said -> 'endpoint_id' = to_jsonb(f.endpoint_id) AND said -> 'step' = to_jsonb(f.step)
            AND said ->> 'service' = '{EndpointFacts.Service.IN_SERVICE}'
    )) END::date FROM change_set c WHERE c.id = f.change_set_id"""

# Its data cable carries the power of an endpoint unless that is known to come from elsewhere.
_SOURCE = EndpointFacts.PowerSource
ENDPOINTS = _dated(
    "endpoint",
    electrical.EndpointRows,
    EndpointFacts,
    base={
        "address_code": "CASE WHEN f.address IS NOT NULL"
        " THEN dense_rank() OVER (ORDER BY t.site_id, f.address, f.vlan) END",
        "service": _number("f.service", electrical.Service, EndpointFacts.Service),
        # when it was recorded that it is in service
        "served_since": f"CASE WHEN f.service = '{EndpointFacts.Service.IN_SERVICE}' THEN "
        + _day(_FIRST_SAID)
        + " END",
    },
    poe_class="coalesce(f.negotiated_class, m.poe_class)",
    paging_power_w="m.paging_poe_w",
    length_m="f.cable_length_m",
    length_basis="coalesce(f.cable_length_basis, 0)",
    cable_index="f.cable_type_id",
    over_cable=f"(f.power_source IN ('{_SOURCE.ADAPTER}', '{_SOURCE.MAINS}') IS NOT TRUE)::int",
    # what an output is follows its endpoint's model
    also={
        "impedance_ohm": "m.output_impedance_ohm",
        "level_v": "m.output_level_v",
        "speakers_max": "m.output_speakers_max",
    },
)

OUTPUTS = Query(whole={**_THING, "endpoint_index": "t.endpoint_id"}, rows=_rows_of("output"))
BLOCKS = Query(
    whole={
        "id": "t.id",
        "site": "t.site_id",
        "kind": _number("t.kind", electrical.BlockKind, Block.Kind),
    },
    rows=_rows_of("block"),
)
ZONES = _dated(
    "zone",
    electrical.ZoneRows,
    ZoneFacts,
    zone_id="t.id",
    signal=_number("f.signal", electrical.Signal, ZoneFacts.Signal),
)
HEARD = _query(_rows_of("zone_endpoint"), _THING, electrical.HeardRows, ("t", ZoneEndpoint))

LANDINGS = _query(
    _rows_of("landing"),
    _THING,
    electrical.LandingRows,
    ("t", Landing),
    field_side=f"(t.side = '{Landing.Side.FIELD}')::int",
    carries=_number("t.carries", electrical.Carries, Landing.Carries),
    # a run, or one of three kinds of equipment, each numbered for itself
    cable_code="coalesce(t.run_id * 4, t.output_id * 4 + 1, t.supply_id * 4 + 2, t.amplifier_id * 4 + 3)",
)

# What is recorded of a clip holds until the next record of it, and no longer than its block stands.
CLIPS = _query(
    "FROM clip_facts f JOIN block t ON t.id = f.block_id"
    " WHERE f.site_id = ANY({ids}) AND t.site_id = ANY({ids})",
    {
        "id": "f.block_id * 1000 + f.row",
        **_span("t"),
        "step": "f.step",
        "changed_by": "f.change_set_id",
    },
    electrical.ClipRows,
    ("f", ClipFacts),
    clip_code=OWN,
)

# A zone is of a paging set for as long as the set stands.
PAGING = _query(
    "FROM paging_set t JOIN paging_set_zone z ON z.paging_set_id = t.id WHERE t.site_id = ANY({ids})",
    _THING | {"id": "z.id", "changed_by": "z.change_set_id"},
    electrical.PagingRows,
    set_id="t.id",
    zone_id="z.zone_id",
)

_CURRENT_READINGS = """reading r WHERE r.site_id = ANY({ids})
        AND NOT EXISTS (SELECT FROM reading newer WHERE newer.supersedes_id = r.id)"""
_PLACE = place_in_day("r")
# As found is before the changes of that day. But what was first recorded on that day, or by a survey of that
# day, is recorded as it was found
_BEGIN = f"""CASE WHEN r.taken_as = '{Test.TakenAs.AS_FOUND}' AND (r.step + 1) % {STEPS_A_DAY} = 0
        AND coalesce(
            (SELECT min(f.step) FROM point_facts f WHERE f.point_id = r.point_id),
            (SELECT u.begin_step FROM run u WHERE u.id = r.run_id)
        ) <= r.step - {STEPS_A_DAY}
        AND (SELECT s.surveyed_on FROM site s WHERE s.id = r.site_id) IS DISTINCT FROM r.taken_on
    THEN r.step - {STEPS_A_DAY - 1} ELSE r.step END"""
# Tests that scale what was guessed, or stand against it: the other kinds say nothing of a load
_OF_RUNS = ", ".join(f"'{kind}'" for kind, entry in KINDS.items() if entry.reading is not None)
READINGS = _query(
    f"FROM {_CURRENT_READINGS} AND r.kind IN ({_OF_RUNS})",
    {"site": "r.site_id", "begin": _BEGIN, "end": FOREVER, "changed_by": "r.change_set_id"},
    electrical.ReadingRows,
    ("r", Test),
    reading_id="r.id",
    place=_PLACE,
    kind=_number("r.kind", electrical.ReadingKind, Test.Kind),
    state=f"CASE r.signal WHEN '{Test.Signal.TONE}' THEN {electrical.State.TONE} "
    f"ELSE {_number('r.state', electrical.State, Test.State)} END",
)

_OF_PROOFS = ", ".join(f"'{getattr(Test.Kind, kind.name)}'" for kind in ProofTest)
PROOF_TESTS = _query(
    f"FROM {_CURRENT_READINGS} AND r.kind IN ({_OF_PROOFS}) AND r.run_id IS NOT NULL",
    {"site": "r.site_id", "begin": _BEGIN, "end": FOREVER, "changed_by": "r.change_set_id"},
    electrical.ProofTestRows,
    ("r", Test),
    test_id="r.id",
    place=_PLACE,
    kind=_number("r.kind", ProofTest, Test.Kind),
)

COVERS = Query(
    whole={
        "site": "v.site_id",
        "contract_id": "c.id",
        "first_day": _day("lower(v.days)"),
        "last_day": f"coalesce({_day('upper(v.days)')}, 10000000)",
        "months": "c.test_interval_months",
    },
    rows="FROM coverage v JOIN contract c ON c.id = v.contract_id"
    " WHERE v.site_id = ANY({ids}) AND c.test_interval_months IS NOT NULL",
)

# Watts are read per power-supply group (RFC 3621): the last reading of each on a step, summed. One without a
# group is of the switch as a whole, and holds its groups: what was read last says which of both counts
POE_READINGS = _query(
    f"""FROM (
            SELECT DISTINCT ON (r.switch_id, r.step, r.state, r.power_group) r.*,
                first_value(r.power_group IS NULL) OVER (
                    PARTITION BY r.switch_id, r.step, r.state ORDER BY r.place DESC) AS is_whole
            FROM (
                SELECT r.*, {_PLACE} AS place
                FROM {_CURRENT_READINGS} AND r.kind = '{Test.Kind.POE_POWER}') r
            ORDER BY r.switch_id, r.step, r.state, r.power_group, r.place DESC
        ) g WHERE (g.power_group IS NULL) = g.is_whole
        GROUP BY g.site_id, g.switch_id, g.step, g.state""",
    {"site": "g.site_id", "step": "g.step", "changed_by": "max(g.change_set_id)"},
    electrical.PoeReadingRows,
    switch_index="g.switch_id",
    reading_id="max(g.id)",
    state=_number("g.state", electrical.State, Test.State),
    power_w="sum(g.value)",
)

# The middle one of an even number of taps is the lower of two
_TAP = "(SELECT w FROM unnest(t.taps_w) w ORDER BY w {} LIMIT 1)"
# A model of another kind (a gateway, a network speaker) on a run is a device of unknown kind there.
MODELS = _query(
    "FROM device_model t",
    {},
    electrical.Models,
    ("t", DeviceModel),
    model_id="t.id",
    device_kind=f"coalesce({_number('kind', DeviceKind, DeviceModel.Kind)}, {DeviceKind.UNKNOWN})",
    lowest_tap_w=_TAP.format(""),
    middle_tap_w=_TAP.format("OFFSET greatest(cardinality(t.taps_w) - 1, 0) / 2"),
    highest_tap_w=_TAP.format("DESC"),
)
CABLES = _query(
    "FROM cable_type t",
    {},
    electrical.Cables,
    ("t", CableType),
    cable_id="t.id",
    listing=_number("listing", electrical.CableListing, CableType.Listing),
)

# Those that differ from the default; a name is its place in `Factors`
FACTOR_NAMES = [field.name for field in fields(Factors)]
FACTORS = Query(
    whole={"name": f"array_position(ARRAY{FACTOR_NAMES}, name::text) - 1"},
    real={"value": "value"},
    rows="FROM factor",
)

# Rows of one COPY are filled up to its widest, so the tables of many rows are read with their like
_BY_WIDTH = (
    {"points": POINTS},
    {"landings": LANDINGS, "clips": CLIPS, "outputs": OUTPUTS, "blocks": BLOCKS, "zones": ZONES,
     "heard": HEARD, "paging": PAGING, "proof_tests": PROOF_TESTS, "covers": COVERS},
    {"sites": SITES, "runs": RUNS, "supplies": SUPPLIES, "amplifiers": AMPLIFIERS, "switches": SWITCHES,
     "ports": PORTS, "endpoints": ENDPOINTS, "readings": READINGS, "poe_readings": POE_READINGS,
     "models": MODELS, "cables": CABLES, "factors": FACTORS},
)  # fmt: skip
# There are many points, and the facts of those that were added over the years lie far apart. So they are read
# once, and joined to the few runs of the site: PostgreSQL would rather look up the run of each
_POINTS_OF_SITE, _RUNS_OF_SITE = "points_of_site", "runs_of_site"
_OF_ONE_SITE = {
    "points": replace(POINTS, rows=f"FROM {_POINTS_OF_SITE} f JOIN {_RUNS_OF_SITE} t ON t.id = f.run_id"),
    "models": replace(MODELS, rows=f"{MODELS.rows} WHERE id IN (SELECT model_id FROM {_POINTS_OF_SITE})"),
    "cables": replace(
        CABLES,
        rows=f"{CABLES.rows} WHERE id IN (SELECT cable_type_id FROM {_POINTS_OF_SITE}"
        " UNION SELECT cable_type_id FROM endpoint_facts WHERE site_id = ANY({ids}))",
    ),
}
"""What of the catalogue one site uses. For many sites all of it is read: to look for what they use would read
their points twice more."""
_AT_ONCE = ({name: query for group in _BY_WIDTH for name, query in group.items()} | _OF_ONE_SITE,)


def groups_of(sites: int) -> Sequence[Mapping[str, Query]]:
    """The queries of a plant of so many sites, by name, in groups that one COPY reads each. The rows of one
    site are few: to wait for three answers takes longer than to fill its rows up."""
    return _AT_ONCE if sites == 1 else _BY_WIDTH


def read_ahead(site_ids: Sequence[int]) -> dict[str, str]:
    """Tables that these queries ask for beside those of the record: the SELECT of each, by name."""
    if len(site_ids) != 1:
        return {}
    ids = array_of(site_ids)
    return {
        # OFFSET 0 has it read by itself
        _RUNS_OF_SITE: f"SELECT * FROM run WHERE site_id = ANY({ids}) OFFSET 0",
        _POINTS_OF_SITE: f"SELECT * FROM point_facts WHERE site_id = ANY({ids})",
    }
