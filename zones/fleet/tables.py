"""How the columns of a plan become rows of the record: SQL over staged whole and real numbers.

A staged column that names another table holds ids by the time it is staged; ``change_set_id`` and ``step``
are those of the columns ``change`` and ``at``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from django.db.models import TextChoices

from sites.changes.models import ChangeSet
from sites.changes.steps import STEPS_A_DAY
from sites.models import Block, Contact, EndpointFacts, Switch, SwitchPortFacts
from zones.fleet import wording
from zones.models import Landing, Reading, Run, Zone


def id_or_null(name: str) -> str:
    return f"nullif({name}, -1)"


def real_or_null(name: str) -> str:
    return f"nullif({name}, 'NaN')"


def one_of(name: str, words: Sequence[str]) -> str:
    """The word whose number is in a column, counted round where there are fewer."""
    listed = ", ".join("'" + str(word).replace("'", "''") + "'" for word in words)
    return f"(ARRAY[{listed}])[{name} % {len(words)} + 1]"


def choice(name: str, members: Sequence[TextChoices]) -> str:
    return one_of(name, [member.value for member in members])


@dataclass(frozen=True)
class Target:
    """A table of the record: from which table of the plan, and what each column is made of.

    numbered: rows have ids of their own. dated: which column the step goes into, if any.
    """

    table: str
    source: str
    columns: Mapping[str, str]
    numbered: bool = True
    dated: str = ""


def _placed(table: str, columns: Mapping[str, str]) -> Target:
    return Target(table, table, columns, dated="begin_step")


def _facts(table: str, source: str, columns: Mapping[str, str]) -> Target:
    return Target(table, source, columns, numbered=False, dated="step")


_DAY = "DATE '1970-01-01' + {}::int"
_ZONE_NAMES = " ".join(
    f"WHEN {trade} THEN {one_of('place', names)}" for trade, names in enumerate(wording.ZONES)
)
_C, _Z, _R, _L = ChangeSet.Kind, Zone.LifeSafety, Run.Kind, Landing

CHANGE_SETS: Final = Target(
    "change_set",
    "change_set",
    {
        "site_id": "site",
        "state": f"'{ChangeSet.State.ACCEPTED.value}'",
        "kind": choice("kind", [_C.WORK, _C.CORRECTION, _C.TAKEOVER]),
        "purpose": f"'{ChangeSet.Purpose.RECORD.value}'",
        "channel": f"'{ChangeSet.Channel.COMMAND.value}'",
        "actor": one_of("crew", wording.CREWS),
        "reason": one_of("wording", wording.REASONS),
        "job_reference": "'J-' || day || '-' || crew",
        "happened_on": _DAY.format("day"),
        # the record of years comes in at once, and is no news to anyone
        "quiet": "true",
        "operations": "'[]'",
        "created_at": "now()",
        "version": "1",
    },
)
"""They come before everything else, for the database gives each its step."""

TARGETS: Final = (
    Target(
        "site",
        "site",
        {
            "customer_id": "customer",
            "code": "'fleet-' || lpad(number::text, 5, '0')",
            "name": f"{one_of('trade', wording.TRADES)} || ' ' || {one_of('place', wording.PLACES)}"
            " || ' ' || number",
            "address": "'Quay Road ' || (place % 90 + 1)",
            "city": one_of("place", wording.PLACES),
            "postal_code": "lpad((place % 9000)::text, 4, '0')",
            "time_zone": "'UTC'",
            "length_unit": "'m'",
            "design_temperature_c": "temperature_c",
            "surveyed_on": f"CASE WHEN surveyed_day >= 0 THEN {_DAY.format('surveyed_day')} END",
            "out_of_hours_phone": "'+00 555 ' || lpad(number::text, 5, '0')",
            **dict.fromkeys(("induction", "permits", "dangers", "note"), "''"),
        },
    ),
    _placed(
        "closet",
        {
            "name": "CASE number WHEN 0 THEN 'MDF' ELSE 'IDF ' || number END",
            "building": "'Building ' || (number + 1)",
            "floor": "'ground floor'",
            "room": "'Comms ' || (number + 1)",
            "directions": "'By the side entrance, second door on the left'",
            "opened_by": "'Site office'",
            "opening_hours": "'07:00 to 17:00'",
            "key_location": "'Security desk'",
            **dict.fromkeys(
                ("escort", "induction", "permits", "protective_equipment", "other_tenants", "dangers"), "''"
            ),
            "note": "''",
        },
    ),
    Target(
        "contact",
        "contact",
        {
            "role": f"'{Contact.Role.SITE.value}'",
            "name": one_of("person", wording.PEOPLE),
            "phone": "'+00 555 ' || lpad(person::text, 5, '0')",
            **dict.fromkeys(("email", "hours", "note"), "''"),
        },
    ),
    _placed(
        "block",
        {
            "closet_id": "closet",
            "name": "CASE use WHEN 0 THEN 'AUDIO ' WHEN 1 THEN 'DC ' ELSE 'LINE ' END || (number + 1)",
            "kind": f"CASE use WHEN 2 THEN '{Block.Kind.SCREW.value}' ELSE '{Block.Kind.SPLIT_66.value}' END",
            "row_count": "100",
            "note": "''",
        },
    ),
    _placed(
        "zone",
        {
            "name": f"CASE trade {_ZONE_NAMES} END || ' ' || (number + 1)",
            "page_code": "(100 + number)::text",
            "groups": "ARRAY['all call']",
            "life_safety": choice("life_safety", [_Z.YES, _Z.NO, _Z.UNKNOWN]),
            "note": "''",
        },
    ),
    _placed(
        "supply",
        {
            "closet_id": "closet",
            "name": "'PS ' || closet_number || '-' || (number + 1)",
            "outlet": "'Outlet ' || (number + 1)",
            "breaker": "'F' || (number + 1)",
            "ups": "''",
            "note": "''",
        },
    ),
    _facts("supply_facts", "supply_facts", {"supply_id": "supply", "model_id": id_or_null("model")}),
    _placed(
        "amplifier",
        {
            "closet_id": "closet",
            "name": "'AMP ' || closet_number || '-' || (number + 1)",
            "outlet": "'Outlet ' || (number + 1)",
            "breaker": "'F' || (number + 1)",
            "note": "''",
        },
    ),
    _facts(
        "amplifier_facts",
        "amplifier",
        {
            "amplifier_id": "id",
            "model_id": id_or_null("model"),
            "line_voltage_v": real_or_null("line_voltage_v"),
        },
    ),
    _placed(
        "switch",
        {
            "closet_id": "closet",
            "name": "'SW ' || (number + 1)",
            "owner": choice("owner", [Switch.Owner.INTEGRATOR, Switch.Owner.CUSTOMER, Switch.Owner.UNKNOWN]),
            "serial": "''",
            "note": "''",
        },
    ),
    _facts(
        "switch_facts",
        "switch",
        {"switch_id": "id", "model_id": "model", "power_supply_count": "power_supply_count"},
    ),
    _placed("switch_port", {"switch_id": "switch", "number": "number"}),
    _facts(
        "switch_port_facts",
        "switch_port",
        {
            "port_id": "id",
            "priority": choice("priority", list(SwitchPortFacts.Priority)),
            "other_load": "''",
        },
    ),
    _placed(
        "endpoint",
        {
            "closet_id": id_or_null("closet"),
            "name": "CASE speaker WHEN 0 THEN 'GW ' ELSE 'NS ' END || (number + 1)",
            "place": "CASE speaker WHEN 0 THEN '' ELSE 'On the wall beside the door' END",
            "serial": "'S' || serial",
            "mac": "'02:' || rtrim(regexp_replace(lpad(to_hex(serial), 10, '0'), '(..)', '\\1:', 'g'), ':')",
            **dict.fromkeys(("firmware", "configuration_backup", "note"), "''"),
        },
    ),
    _facts(
        "endpoint_facts",
        "endpoint_facts",
        {
            "endpoint_id": "endpoint",
            "model_id": "model",
            "power_source": f"'{EndpointFacts.PowerSource.PORT.value}'",
            "port_id": "port",
            "cable_type_id": "cable",
            "cable_length_m": "length_m",
            "cable_length_basis": "3",
            "address": "'10.0.0.0'::inet + address",
            "vlan": "20",
            "page_code": "''",
        },
    ),
    _placed("output", {"endpoint_id": "endpoint", "number": "number", "terminal": "'jack'"}),
    _placed("zone_endpoint", {"zone_id": "zone", "endpoint_id": "endpoint"}),
    _placed(
        "run",
        {
            "block_id": "block",
            "name": "'R' || (zone_number + 1) || chr(65 + number::int)",
            "kind": choice("kind", [_R.SELF_AMPLIFIED, _R.CONSTANT_VOLTAGE, _R.LOW_IMPEDANCE]),
            "note": "''",
        },
    ),
    _facts(
        "run_facts",
        "run",
        {
            "run_id": "id",
            "zone_id": "zone",
            "output_id": "output",
            "supply_id": id_or_null("supply"),
            "amplifier_id": id_or_null("amplifier"),
            "fuse_fitted": "false",
        },
    ),
    Target("point", "point", {"run_id": "run", "rank": "rank", "name": "name::text"}),
    _facts(
        "point_facts",
        "point_facts",
        {
            "run_id": "run",
            "point_id": "point",
            "rank": "rank",
            "parent_id": id_or_null("parent"),
            "parent_rank": real_or_null("parent_rank"),
            "kind": "kind",
            "device_kind": "device_kind",
            "model_id": id_or_null("model"),
            **{name: id_or_null(name) for name in ("count_low", "count_likely", "count_high")},
            "place": "''",
            "length_m": real_or_null("length_m"),
            "length_basis": "length_basis",
            "cable_type_id": id_or_null("cable"),
            "dc_pairs": "dc_pairs",
            "negative_cut": "false",
            "current_basis": "current_basis",
            "tap_power_w": real_or_null("tap_power_w"),
            "tap_basis": "tap_basis",
        },
    ),
    _placed(
        "landing",
        {
            "block_id": "block",
            '"row"': '"row"',
            "side": choice("side", [_L.Side.FIELD, _L.Side.EQUIPMENT]),
            **{f"{name}_id": id_or_null(name) for name in ("run", "output", "supply", "amplifier")},
            "pair": "pair",
            "conductor": choice("conductor", [_L.Conductor.FIRST, _L.Conductor.SECOND]),
            "carries": choice(
                "carries",
                [_L.Carries.AUDIO_POSITIVE, _L.Carries.AUDIO_NEGATIVE,
                 _L.Carries.DC_POSITIVE, _L.Carries.DC_NEGATIVE,
                 _L.Carries.LINE_HOT, _L.Carries.LINE_COMMON],
            ),
        },
    ),
    Target(
        "reading",
        "reading",
        {
            "kind": f"'{Reading.Kind.RUN_CURRENT.value}'",
            "state": f"'{Reading.State.PAGING.value}'",
            "run_id": "run",
            "value": "value",
            "taken_on": _DAY.format("day"),
            "step": f"(day + 1) * {STEPS_A_DAY} - 1",
            "technician": one_of("technician", wording.CREWS),
            "instrument": "''",
            "note": "''",
        },
    ),
)  # fmt: skip
