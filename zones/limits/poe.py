"""Limits of power over the data cable, and of that cable."""

from __future__ import annotations

from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.limits.limit import NO_SOURCE, Detail, Limit, Remedy, Severity

_IEEE = "IEEE 802.3 clauses 33 and 145 (from memory)"
_ALLOCATED = f"budget: data sheet; power by class: {_IEEE}; power by LLDP: clause 79 (from memory)"

POE_LIMITS = (
    Limit(
        code="poe_allocated",
        title="PoE allocated",
        rule=Rule("poe_allocated"),
        subject_kind=SubjectKind.SWITCH,
        quantity="power allocated to all ports: by LLDP with the loss of the cable, else of the class "
        "(class 0 where not recorded), and no more than the port's type delivers",
        unit="W",
        decimals=1,
        limit_from="PoE budget of the switch with the power supplies fitted",
        source=_ALLOCATED,
        severity=Severity.SILENCE,
        template="{subject} has allocated {figure}; {limit}. Ports of low priority, or new ones, may get no "
        "power.",
        remedies=(Remedy.MOVE_ENDPOINT,),
    ),
    Limit(
        code="poe_one_supply_lost",
        title="PoE with one supply lost",
        rule=Rule("poe_one_supply_lost"),
        subject_kind=SubjectKind.SWITCH,
        quantity="power allocated to all ports",
        unit="W",
        decimals=1,
        limit_from="PoE budget of the switch with its largest power supply lost",
        source=_ALLOCATED,
        severity=Severity.SILENCE,
        template="{subject} has allocated {figure}; with its largest power supply lost, {limit}. Some zones "
        "would then fall silent.",
        remedies=(Remedy.MOVE_ENDPOINT,),
    ),
    Limit(
        code="poe_measured",
        title="PoE measured",
        rule=Rule("poe_measured"),
        subject_kind=SubjectKind.SWITCH,
        quantity="power measured at the switch's supply groups",
        unit="W",
        decimals=1,
        limit_from="PoE budget with the power supplies fitted × usage threshold (0.8 where unset)",
        source=f"usage threshold: RFC 3621 pethMainPseUsageThreshold; 0.8 where unset: {NO_SOURCE}",
        severity=Severity.SILENCE,
        detail=Detail.READING,
        template="{subject} delivered {figure} when measured; {limit} by its usage threshold.",
        remedies=(Remedy.MOVE_ENDPOINT,),
    ),
    Limit(
        code="port_power",
        title="Port power",
        rule=Rule("port_power"),
        subject_kind=SubjectKind.PORT,
        quantity="power that the port must deliver for its endpoint to page, cable included",
        unit="W",
        decimals=1,
        limit_from="power of the class at the switch",
        source=_IEEE,
        severity=Severity.SILENCE,
        detail=Detail.ENDPOINT,
        template="{subject} must deliver {figure} for its endpoint to page; {limit} by its class.",
        remedies=(Remedy.MOVE_ENDPOINT, Remedy.CORRECT_RECORD),
    ),
    Limit(
        code="port_type",
        title="Port type",
        rule=Rule("port_type", near_margin=0.0),
        subject_kind=SubjectKind.PORT,
        quantity="power that the endpoint or other load needs at the port: negotiated or recorded, else of "
        "its class; an endpoint's paging power where that is more",
        unit="W",
        decimals=1,
        limit_from="what a port of its type delivers: 15.4, 30, 60, 90 W for types 1 to 4",
        source=_IEEE,
        severity=Severity.SILENCE,
        detail=Detail.ENDPOINT,
        template="What is connected to {subject} needs {figure}; by port type, {limit}.",
        remedies=(Remedy.MOVE_ENDPOINT, Remedy.CORRECT_RECORD),
    ),
    Limit(
        code="endpoint_cable",
        title="Cable length to an endpoint",
        rule=Rule("endpoint_cable"),
        subject_kind=SubjectKind.ENDPOINT,
        quantity="length of the data cable",
        unit="m",
        limit_from="longest channel of a horizontal cable",
        source="TIA-568, ISO/IEC 11801",
        severity=Severity.SILENCE,
        template="The data cable to {subject} is {figure} long; {limit}.",
        remedies=(Remedy.MOVE_ENDPOINT, Remedy.CORRECT_RECORD),
    ),
)
