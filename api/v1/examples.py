"""Examples of what is sent, by the name of the body's component in the description: one for every body, each
held against its own schema by a test. What only gives a reason has one made for it."""

from __future__ import annotations

from typing import Any, Final

from drf_spectacular.generators import SchemaGenerator
from rest_framework.request import Request

from zones.limits.cautions import Caution

_WHY: Final = {
    "reason": "More sound at the gate",
    "happened_on": "2026-11-24",
    "job_reference": "LS-2207",
}
_WRONG: Final = {"reason": "Label read on site", "job_reference": "LS-2210"}


def _work(**said: Any) -> dict[str, Any]:
    return {**said, "change": _WHY}


def _correction(**said: Any) -> dict[str, Any]:
    return {**said, "change": _WRONG}


BODIES: Final[dict[str, dict[str, Any]]] = {
    # customers and contracts
    "CustomerAdd": _work(name="Strand Ferries", code="strand-ferries"),
    "CustomerAlter": _work(note="Invoices by quarter"),
    "ContractAdd": _work(customer_id=3, reference="M-17", response_hours=8, test_interval_months=12),
    "ContractAlter": _work(response_hours=4),
    "CoverageAdd": _work(contract_id=5, site_id=12, first_day="2026-12-01"),
    "CoverageAlter": _work(end_day="2027-12-01"),
    # places and people
    "SiteAdd": _work(
        customer_id=3, code="quay-9", name="Quay 9", city="Porto Novo", time_zone="Europe/Lisbon"
    ),
    "SiteAlter": _work(dangers="Forklifts cross the yard", design_temperature_c=-25.0),
    "ClosetAdd": _work(
        site_id=12,
        name="IDF 2",
        building="Ticket hall",
        floor="1",
        room="1.04",
        opened_by="Security desk, by day and night",
        key_location="security desk",
        ladder_m=3.5,
    ),
    "ClosetAlter": _work(key_location="harbour office"),
    "ContactAdd": _work(site_id=12, closet_id=31, role="site", name="Ada Strand", phone="+351 555 0100"),
    "ContactAlter": _work(hours="07:00 to 19:00"),
    # the catalogue
    "DeviceModelAdd": _work(
        name="wall 8",
        kind="wall_speaker",
        idle_current_a=0.02,
        full_output_current_a=0.08,
        minimum_voltage_v=18.0,
        input_impedance_ohm=47000.0,
    ),
    "DeviceModelAlter": _work(minimum_voltage_v=17.5),
    "CableTypeAdd": _work(name="four pairs, 24 AWG", gauge_awg=24, pair_count=4, category=True),
    "CableTypeAlter": _work(plenum=True),
    # what stands in a closet
    "SwitchAdd": _work(closet_id=31, name="SW 1", owner="customer", model_id=9, power_supply_count=2),
    "SwitchAlter": _work(power_supply_count=1),
    "SwitchCorrect": _correction(usage_threshold=0.9),
    "PortAlter": _work(priority="critical", other_load="a camera", other_load_class=3),
    "PortCorrect": _correction(priority="low"),
    "EndpointAdd": _work(
        site_id=12, closet_id=31, name="GW 1", model_id=7, port_id=88, address="10.1.0.5", vlan=30
    ),
    "EndpointAlter": _work(firmware="4.2", page_code="71"),
    "EndpointMove": _work(port_id=91),
    "EndpointCorrect": _correction(cable_length_m=62.0, cable_length_basis="measured"),
    "OutputAdd": _work(endpoint_id=41, number=3, terminal="jack"),
    "OutputAlter": _work(terminal="screw"),
    "SupplyAdd": _work(closet_id=31, name="PS 1", model_id=8, outlet="left of the door", breaker="B7"),
    "SupplyAlter": _work(model_id=11),
    "SupplyCorrect": _correction(model_id=8, held_on="2025-03-14"),
    "AmplifierAdd": _work(closet_id=31, name="A 1", model_id=14, line_voltage_v=70.7),
    "AmplifierAlter": _work(outlet="rack, behind"),
    "AmplifierCorrect": _correction(line_voltage_v=100.0),
    "BlockAdd": _work(closet_id=31, name="B1", kind="66_split"),
    "BlockAlter": _work(note="Cover missing"),
    "ClipPull": _work(rows=[11, 12]),
    "ClipPut": _work(rows=[11, 12]),
    "ClipCorrect": _correction(row=11, is_in=False),
    # zones and runs
    "ZoneAdd": _work(site_id=12, name="Ticket hall", page_code="71", life_safety="no"),
    "ZoneAlter": _work(life_safety="yes", groups=["all calls"]),
    "ZoneEndpointAdd": _work(zone_id=21, endpoint_id=44),
    "PagingSetAdd": _work(name="halls", zone_ids=[21, 22]),
    "PagingSetAlter": _work(zone_ids=[21, 22, 23]),
    "RunAdd": _work(block_id=51, name="R1", kind="self_amplified", zone_id=21, output_id=61, supply_id=71),
    "RunAlter": _work(supply_id=72),
    "RunCorrect": _correction(fuse_fitted=True, fuse_rating_a=2.0),
    "PointAppend": _work(
        run_id=81,
        after_id=140,
        model_id=9,
        length_m=6.0,
        length_basis="measured",
        place="over the gate",
    ),
    "PointInsert": _work(before_id=140, model_id=9, place="between the doors"),
    "PointFound": _correction(run_id=81, after_id=140, model_id=9),
    "PointAlter": _work(tap_power_w=5.0, tap_basis="marked"),
    "PointCorrect": _correction(length_m=7.5, length_basis="measured"),
    "LandingAdd": _work(block_id=51, row=11, pair=1, carries="audio", run_id=81),
    "LandingEndSeveral": _work(landing_ids=[301, 302]),
    "LandingCorrect": _correction(row=13),
    "ReadingRecord": _work(
        kind="run_current", state="paging", value=0.86, taken_on="2026-11-24", run_id=81, technician="R. Vale"
    ),
    "ReadingSupersede": _correction(value=0.68),
    # drafts
    "Draft": {
        "site_id": 12,
        "reason": "Two more speakers at the gate",
        "job_reference": "Q-118",
        "purpose": "plan",
        "operations": [
            {
                "op": "point.append",
                "label": "first",
                "run_id": 81,
                "after_id": 140,
                "model_id": 9,
                "length_m": 6.0,
                "length_basis": "drawing",
            },
            {"op": "point.append", "run_id": 81, "after_id": "@first", "model_id": 9},
        ],
    },
    "DraftRevision": {"operations": [{"op": "point.append", "run_id": 81, "after_id": 140, "model_id": 9}]},
    "Acceptance": {"happened_on": "2026-11-24", "job_reference": "LS-2207"},
    "Nothing": {},
    # findings
    "FindingChange": {
        "state": "deferred",
        "deferred_until": "2026-12-24",
        "state_reason": "With the next test visit",
    },
    "Ticket": {"ticket_reference": "T-40718"},
    # programs
    "TokenRequest": {"name": "ticketing", "scopes": ["record:read", "findings:write"]},
    # calculations
    "DescribedRun": {
        "source": {"voltage_v": 24, "tolerance": 0.05, "internal_resistance_ohm": 0.2},
        "temperature_c": 20,
        "points": [
            {"id": "p1", "parent": None, "length_m": 10, "awg": 24, "load": {"current_a": 0.05}},
            {"id": "p2", "parent": "p1", "loop_resistance_ohm": 1.5, "load": {"power_w": 1.2}},
        ],
    },
}


_SUPPLY_CURRENT: Final = {
    "code": "supply_current",
    "title": "Supply current",
    "subject": {"kind": "supply", "id": 71, "name": "supply PS 1"},
    "sentence": "Supply PS 1 delivers 1.83 A (1.74 A to 1.92 A) during a page; limit 1.60 A.",
    "verdict": "past",
    "quantity": "current of the supply while everything it feeds is paged",
    "unit": "A",
    "low": 1.7385,
    "likely": 1.83,
    "high": 1.9215,
    "limit": 1.6,
    "limit_is": "at_most",
    "limit_from": "rated current of the supply × loading fraction (0.8 unless changed)",
    "source": "rated current: data sheet; loading fraction: common practice, no source",
    "near": "near under 10 % headroom",
    "headroom_likely": -0.14375,
    "headroom_worst": -0.2009375,
    "share_measured_or_marked": 1.0,
    "severity": "silence",
    "place": None,
}

ANSWERS: Final[dict[str, dict[str, Any]]] = {
    "ZoneLoad": {
        "zone_id": 21,
        "zone": "Ticket hall",
        "site_id": 12,
        "life_safety": "unknown",
        "as_of": "2026-11-25",
        "verdict": "past",
        "summary": "Past: Supply PS 1 delivers 1.83 A (1.74 A to 1.92 A) during a page; limit 1.60 A.",
        "tightest": _SUPPLY_CURRENT,
        "items": [_SUPPLY_CURRENT],
        "not_computed": [],
        "cautions": [
            {
                "code": "disconnect",
                "text": Caution.DISCONNECT.text,
                "why": "the equipment is energised",
            }
        ],
    },
    "Evaluation": {
        "change_set_id": 4107,
        "site_id": 12,
        "as_of": "2026-11-25",
        "summary": "Supply current of supply PS 1: from 1.35 A to 1.83 A; limit 1.60 A. Past; before within.",
        "crosses": True,
        "items": [
            {
                "code": "supply_current",
                "title": "Supply current",
                "subject": {"kind": "supply", "id": 71, "name": "supply PS 1"},
                "sentence": "Supply current of supply PS 1: from 1.35 A to 1.83 A; limit 1.60 A. Past; "
                "before within.",
                "crosses": True,
                "clears": False,
                "before": {
                    **_SUPPLY_CURRENT,
                    "sentence": "Supply current, supply PS 1: 1.35 A; limit 1.60 A.",
                    "verdict": "within",
                    "low": 1.2825,
                    "likely": 1.35,
                    "high": 1.4175,
                    "headroom_likely": 0.15625,
                    "headroom_worst": 0.1140625,
                },
                "after": _SUPPLY_CURRENT,
            }
        ],
        "not_computed": [],
        "computed": [],
    },
    "Solved": {
        "feasible": True,
        "source_current_a": 0.10327,
        "points": [
            {"id": "p1", "voltage_v": 22.6054, "current_a": 0.05},
            {"id": "p2", "voltage_v": 22.5255, "current_a": 0.05327},
        ],
        "lowest": {"id": "p2", "voltage_v": 22.5255},
        "caution": Caution.LOCAL_CODE.text,
    },
}


def add_examples(
    result: dict[str, Any],
    generator: SchemaGenerator,  # noqa: ARG001 - the signature of a hook
    request: Request | None,  # noqa: ARG001
    public: bool,  # noqa: ARG001
) -> dict[str, Any]:
    """A hook: puts the examples beside the bodies and answers that they are of."""
    schemas = result["components"]["schemas"]
    for operations in result["paths"].values():
        for operation in operations.values():
            bodies = [operation.get("requestBody", {}), *operation["responses"].values()]
            for content in (body.get("content", {}).get("application/json") for body in bodies):
                name = _component(content)
                example = ANSWERS.get(name) or example_of(name, schemas.get(name, {}))
                if content is not None and example is not None:
                    content["example"] = example
    return result


def _component(content: dict[str, Any] | None) -> str:
    reference: str = (content or {}).get("schema", {}).get("$ref", "")
    return reference.rpartition("/")[2]


def example_of(component: str, schema: dict[str, Any]) -> dict[str, Any] | None:
    """The example of a body; of one that takes nothing but a reason, that reason."""
    if component in BODIES:
        return BODIES[component]
    return {"change": _WHY} if list(schema.get("properties", ())) == ["change"] else None
