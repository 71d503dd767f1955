"""The SQL by which the record is read: one query a table of the plant, whatever the number of sites.

A thing's dated facts are read beside the thing itself. Where a thing stands before its first facts, a row of
unknowns holds from its beginning, so that it is there on every day on which it stands.
"""

# ruff: noqa: S608 - every name in the SQL is in this file
from __future__ import annotations

from collections.abc import Sequence

from sites.models import Block, DeviceModel, EndpointFacts, SwitchPortFacts
from zones.electrical.bands import DeviceKind
from zones.models import Landing, Reading, Run
from zones.plant.columns import Query

FOREVER = "9223372036854775807"


def _number(column: str, words: Sequence[str]) -> str:
    """SQL for the position of a word in ``words``; NULL for another word."""
    listed = ", ".join(f"'{word}'" for word in words)
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


def _facts_of(table: str, *, model: bool = False) -> str:
    facts, key = f"{table}_facts", f"{table.removeprefix('switch_')}_id"
    return f"""FROM "{table}" t
        JOIN (
            SELECT {key} AS id, step FROM {facts} WHERE site_id = ANY({{ids}})
            UNION SELECT id, begin_step FROM "{table}" WHERE site_id = ANY({{ids}})
        ) s ON s.id = t.id
        LEFT JOIN {facts} f ON f.{key} = s.id AND f.step = s.step
        {"LEFT JOIN device_model m ON m.id = f.model_id" if model else ""}
        WHERE t.site_id = ANY({{ids}})"""


SITES = Query(
    whole={"id": "id"},
    real={"temperature_c": "design_temperature_c"},
    rows="FROM site WHERE id = ANY({ids})",
)

RUN_KINDS = [Run.Kind.SELF_AMPLIFIED, Run.Kind.CONSTANT_VOLTAGE, Run.Kind.LOW_IMPEDANCE]
BLOCK_KINDS = [Block.Kind.SPLIT_66, Block.Kind.UNSPLIT_66, Block.Kind.TYPE_110, Block.Kind.SCREW]

RUNS = Query(
    whole={
        **_FACTS,
        "kind": _number("t.kind", RUN_KINDS),
        "block_kind": f"(SELECT {_number('b.kind', BLOCK_KINDS)} FROM block b WHERE b.id = t.block_id)",
        "zone": "f.zone_id",
        "supply": "f.supply_id",
        "output": "f.output_id",
        "amplifier": "f.amplifier_id",
        "fuse_fitted": "f.fuse_fitted::int",
    },
    real={"fuse_rating_a": "f.fuse_rating_a"},
    rows=_facts_of("run"),
)

# A point stands as long as its run does; its facts carry its run and rank.
POINTS = Query(
    whole={
        "id": "f.point_id",
        **_span("t"),
        "site": "f.site_id",
        "step": "f.step",
        "changed_by": "f.change_set_id",
        "run": "f.run_id",
        "parent": "f.parent_id",
        "kind": "f.kind",
        "device_kind": "f.device_kind",
        "model": "f.model_id",
        "length_basis": "f.length_basis",
        "cable": "f.cable_type_id",
        "dc_pairs": "f.dc_pairs",
        "negative_cut": "f.negative_cut::int",
        "current_basis": "f.current_basis",
        "tap_basis": "f.tap_basis",
        "zone": "f.zone_id",
        "feed_supply": "f.feed_supply_id",
    },
    real={
        "rank": "f.rank",
        "count_low": "f.count_low",
        "count_likely": "f.count_likely",
        "count_high": "f.count_high",
        "length_m": "f.length_m",
        "speech_current_a": "f.speech_current_a",
        "idle_current_a": "f.idle_current_a",
        "tap_power_w": "f.tap_power_w",
    },
    # The sites of the run are said too, or the whole fleet's runs are read for one site's; that they are the
    # same is not, or sites are merged and every point is held against every run of its site
    rows="FROM point_facts f JOIN run t ON t.id = f.run_id"
    " WHERE f.site_id = ANY({ids}) AND t.site_id = ANY({ids})",
)

SUPPLIES = Query(
    whole={**_FACTS, "class_2_marked": "m.class_2_marked::int"},
    real={
        "rated_current_a": "m.rated_current_a",
        "no_load_voltage_v": "m.no_load_voltage_v",
        "rated_load_voltage_v": "m.rated_load_voltage_v",
        "voltage_tolerance": "m.voltage_tolerance",
        "lowest_voltage_v": "m.lowest_voltage_v",
    },
    rows=_facts_of("supply", model=True),
)

AMPLIFIERS = Query(
    whole=_FACTS,
    real={
        "rated_power_w": "m.rated_power_w",
        "line_voltage_v": "f.line_voltage_v",
        "minimum_impedance_ohm": "m.minimum_impedance_ohm",
    },
    rows=_facts_of("amplifier", model=True),
)

SWITCHES = Query(
    whole={**_FACTS, "power_supply_count": "f.power_supply_count"},
    real={
        "budget_w": "m.poe_budget_w",
        "budget_one_lost_w": "m.poe_budget_one_lost_w",
        "usage_threshold": "f.usage_threshold",
    },
    rows=_facts_of("switch", model=True),
)

_PRIORITY = SwitchPortFacts.Priority
PORTS = Query(
    whole={
        **_FACTS,
        "switch": "t.switch_id",
        "number": "t.number",
        "priority": _number(
            f"coalesce(f.priority, '{_PRIORITY.LOW}')", [_PRIORITY.CRITICAL, _PRIORITY.HIGH, _PRIORITY.LOW]
        ),
        "other_load": "coalesce(f.other_load <> '', false)::int",
        "other_class": "f.other_load_class",
    },
    real={"other_power_w": "f.other_load_power_w"},
    rows=_facts_of("switch_port"),
)

# Its data cable carries the power of an endpoint unless that is known to come from elsewhere.
_SOURCE = EndpointFacts.PowerSource
ENDPOINTS = Query(
    whole={
        **_FACTS,
        "port": "f.port_id",
        "poe_class": "coalesce(f.negotiated_class, m.poe_class)",
        "length_basis": "coalesce(f.cable_length_basis, 0)",
        "cable": "f.cable_type_id",
        "over_cable": f"(f.power_source IN ('{_SOURCE.ADAPTER}', '{_SOURCE.MAINS}') IS NOT TRUE)::int",
        "address": "CASE WHEN f.address IS NOT NULL"
        " THEN dense_rank() OVER (ORDER BY t.site_id, f.address, f.vlan) END",
    },
    real={
        "granted_w": "f.negotiated_power_w",
        "paging_power_w": "m.paging_poe_w",
        "length_m": "f.cable_length_m",
        "output_impedance_ohm": "m.output_impedance_ohm",
        "output_level_v": "m.output_level_v",
        "output_speakers_max": "m.output_speakers_max",
    },
    rows=_facts_of("endpoint", model=True),
)

OUTPUTS = Query(whole={**_THING, "endpoint": "t.endpoint_id"}, rows=_rows_of("output"))
BLOCKS = Query(whole={"id": "t.id", "site": "t.site_id"}, rows=_rows_of("block"))
ZONES = Query(whole=_THING, rows=_rows_of("zone"))

_CARRIES = Landing.Carries
LANDINGS = Query(
    whole={
        **_THING,
        "block": "t.block_id",
        "row": 't."row"',
        "field_side": f"(t.side = '{Landing.Side.FIELD}')::int",
        "carries": _number(
            "t.carries",
            [
                _CARRIES.AUDIO_POSITIVE,
                _CARRIES.AUDIO_NEGATIVE,
                _CARRIES.DC_POSITIVE,
                _CARRIES.DC_NEGATIVE,
                _CARRIES.LINE_HOT,
                _CARRIES.LINE_COMMON,
                _CARRIES.SPARE,
            ],
        ),
    },
    rows=_rows_of("landing"),
)

# A zone is of a paging set for as long as the set stands.
PAGING = Query(
    whole={**_THING, "changed_by": "z.change_set_id", "zone": "z.zone_id"},
    rows="FROM paging_set t JOIN paging_set_zone z ON z.paging_set_id = t.id WHERE t.site_id = ANY({ids})",
)

_STATES = [Reading.State.IDLE, Reading.State.PAGING]
_CURRENT_READINGS = """reading r WHERE r.site_id = ANY({ids})
        AND NOT EXISTS (SELECT FROM reading newer WHERE newer.supersedes_id = r.id)"""
READINGS = Query(
    whole={
        "id": "r.id",
        "site": "r.site_id",
        "step": "r.step",
        "changed_by": "r.change_set_id",
        "run": "r.run_id",
        "kind": _number("r.kind", [Reading.Kind.RUN_CURRENT, Reading.Kind.END_VOLTAGE]),
        "state": _number("r.state", _STATES),
        "point": "r.point_id",
    },
    real={"value": "r.value", "source_voltage_v": "r.source_voltage_v"},
    rows=f"FROM {_CURRENT_READINGS} AND r.run_id IS NOT NULL",
)

# Watts are read per power-supply group (RFC 3621): the last reading of each group on a step, summed.
POE_READINGS = Query(
    whole={
        "id": "max(g.id)",
        "site": "g.site_id",
        "step": "g.step",
        "changed_by": "max(g.change_set_id)",
        "switch": "g.switch_id",
        "state": _number("g.state", _STATES),
    },
    real={"power_w": "sum(g.value)"},
    rows=f"""FROM (
            SELECT DISTINCT ON (r.switch_id, r.step, r.state, r.power_group) r.*
            FROM {_CURRENT_READINGS} AND r.switch_id IS NOT NULL
            ORDER BY r.switch_id, r.step, r.state, r.power_group, r.id DESC
        ) g GROUP BY g.site_id, g.switch_id, g.step, g.state""",
)

# A model of another kind (a gateway, a network speaker) on a run is a device of unknown kind there.
_DEVICE_KINDS = {
    DeviceModel.Kind.CEILING_SPEAKER: DeviceKind.CEILING_SPEAKER,
    DeviceModel.Kind.WALL_SPEAKER: DeviceKind.WALL_SPEAKER,
    DeviceModel.Kind.HORN: DeviceKind.HORN,
}
MODELS = Query(
    whole={
        "model_id": "id",
        "device_kind": "CASE kind "
        + " ".join(f"WHEN '{word}' THEN {int(number)}" for word, number in _DEVICE_KINDS.items())
        + f" ELSE {int(DeviceKind.UNKNOWN)} END",
    },
    real={
        name: name
        for name in (
            "speech_current_a",
            "idle_current_a",
            "full_output_current_a",
            "idle_power_w",
            "full_output_power_w",
            "minimum_voltage_v",
            "input_impedance_ohm",
            "input_sensitivity_v",
            "nominal_impedance_ohm",
        )
    },
    rows="FROM device_model WHERE id = ANY({ids})",
)

CABLES = Query(
    whole={"cable_id": "id", "category": "category::int"},
    real={"gauge_awg": "gauge_awg", "conductor_rating_a": "conductor_rating_a"},
    rows="FROM cable_type WHERE id = ANY({ids})",
)
