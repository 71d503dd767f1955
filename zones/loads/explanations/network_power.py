"""Worked calculations of power over the data cable, and of that cable."""

from __future__ import annotations

import numpy as np

from sites.models import Basis
from zones.electrical.bands import LIKELY
from zones.electrical.figures import lookup
from zones.electrical.network_power import (
    MAX_CHANNEL_M,
    PD_POWER_W,
    PORT_TYPE_POWER_W,
    POWERED_PAIRS,
    PSE_MINIMUM_V,
    PSE_POWER_W,
    budgets,
    connected,
    endpoint_request_w,
    other_request_w,
    port_types,
    usage_thresholds,
)
from zones.electrical.plant import State
from zones.electrical.subjects import Subject, SubjectKind
from zones.loads.site_loads import Load

from .registry import explains
from .scene import Scene
from .worked import Amount, Column, Step, Table, Worked, bands_of, columns, limit_by_fraction, number

_PORTS = columns(
    "port",
    "feeds",
    Column("poe_class", "class"),
    Column("negotiated_w", "negotiated, at the device", "W"),
    Column("allocated_w", "allocated", "W"),
)
_IEEE = "IEEE 802.3 clauses 33 and 145, from memory"


@explains("poe_allocated", "poe_one_supply_lost")
def poe_allocated(scene: Scene, load: Load) -> Worked:
    row = scene.row_of(load.subject)
    of_supplies = budgets(scene.plant, np.array([row]))
    supplies = int(of_supplies.supplies[0])
    name, budget = "PoE budget", of_supplies.budget_w[0]
    if load.code == "poe_one_supply_lost":
        name, budget = "PoE budget with the largest power supply lost", of_supplies.one_lost_w[0]
    return Worked(
        formula="P = Σ of what the switch allocates: P = V·(V − √(V² − 4·R·P_LLDP)) / 2R for power by LLDP, "
        "which is at the device, else the power of the class.",
        assumptions=(
            "A class that is not recorded counts as class 0: 15.4 W.",
            "Power by LLDP counts up to what the class may draw at the device.",
            "A cable whose length is not recorded is taken as the longest channel.",
            "No more is allocated than a port of its type delivers.",
        ),
        inputs=(
            Amount.of("power supplies fitted", "", supplies if supplies >= 0 else np.nan),
            Amount.rated(name, "W", budget),
        ),
        tables=(_allocations(scene, load),),
        steps=(Step.of("Together", "allocated", "W", bands_of(load)),),
    )


@explains("poe_measured")
def poe_measured(scene: Scene, load: Load) -> Worked:
    budget = float(budgets(scene.plant, np.array([scene.row_of(load.subject)])).budget_w[0])
    set_to = scene.fact(load.subject, "usage_threshold")
    threshold = float(usage_thresholds(scene.plant, np.array([scene.row_of(load.subject)]))[0])
    readings = scene.plant.poe_readings
    reading = int(np.flatnonzero(readings.reading_id == load.detail)[0])
    state = "paging" if readings.state[reading] == State.PAGING else "idle"
    return Worked(
        formula="P as measured. Limit: budget × usage threshold.",
        assumptions=(f"The reading was taken {state}; the supply groups of the switch are added up.",),
        inputs=(
            Amount.rated("PoE budget", "W", budget),
            Amount.of(
                "usage threshold",
                "",
                threshold,
                "unset: common practice" if np.isnan(set_to) else "set in the switch (RFC 3621)",
            ),
        ),
        steps=(
            Step.of("Measured", "measured power", "W", readings.power_w[reading]),
            limit_by_fraction(budget, threshold, "W"),
        ),
    )


@explains("port_power")
def port_power(scene: Scene, load: Load) -> Worked:
    endpoint = SubjectKind.ENDPOINT, load.detail or 0
    recorded = int(scene.fact(endpoint, "poe_class"))
    of_class = max(recorded, 0)
    volts, needed = PSE_MINIMUM_V[of_class], scene.fact(endpoint, "paging_power_w")
    drawn = bands_of(load)
    # P_PD = P − (P/V)²·R, solved for the resistance that the figure was computed with
    with np.errstate(invalid="ignore", divide="ignore"):
        ohms = (drawn - needed) / (drawn / volts) ** 2
    return Worked(
        formula="P_PSE = V·(V − √(V² − 4·R·P_PD)) / 2R over the endpoint's own cable, at the lowest voltage "
        "of its class. Limit: the power of the class at the switch.",
        assumptions=() if recorded >= 0 else ("The class is not recorded: taken as class 0.",),
        inputs=(
            Amount.rated("power that the endpoint draws while it pages", "W", needed),
            Amount.of(
                "class", "", of_class, "negotiated, or of its model" if recorded >= 0 else "not recorded"
            ),
            Amount.of("lowest voltage at the switch", "V", volts, _IEEE),
            Amount.of("pairs that carry power", "", POWERED_PAIRS[of_class], _IEEE),
            Amount.of("resistance of the cable, out and back", "Ω", ohms, _cable_known(scene, endpoint)),
            Amount.of("power of the class at the device", "W", PD_POWER_W[of_class], _IEEE),
        ),
        steps=(
            Step.of("At the switch", "power at the switch", "W", drawn),
            Step(
                f"Limit: class {of_class} allows {number(PSE_POWER_W[of_class], 'W')}.",
                Amount.of("limit", "W", PSE_POWER_W[of_class]),
            ),
        ),
    )


@explains("port_type")
def port_type(scene: Scene, load: Load) -> Worked:
    plant, port = scene.plant, scene.row_of(load.subject)
    type_ = _type_of_port(scene, port)
    of_port = "recorded of the port" if plant.ports.port_type[port] >= 0 else "of the switch's model"
    inputs: list[Amount] = []
    if load.detail is None:
        recorded = int(plant.ports.other_class[port])
        asked = other_request_w(plant, np.array([port]))
        stated = np.isfinite(plant.ports.other_power_w[port])
        how = "recorded of the port" if stated else f"of its class: {_IEEE}"
        inputs.append(Amount.of("power of the other load, at the switch", "W", asked[0], how))
        assumed = recorded < 0 and not stated
    else:
        row = scene.row_of((SubjectKind.ENDPOINT, load.detail))
        recorded = int(plant.endpoints.poe_class[row])
        asked = endpoint_request_w(plant, np.array([row]))[:, 0]
        inputs += (
            Amount.of("asked for at the switch", "W", asked, _IEEE),
            Amount.rated("power while paging, at the device", "W", plant.endpoints.paging_power_w[row]),
        )
        assumed = recorded < 0
    known = of_port if type_ >= 0 else "not recorded"
    return Worked(
        formula="What is connected to the port asks for (by LLDP, as recorded, or by its class), or what it "
        "draws at the port while it pages, where that is more. Limit: what a port of its type delivers.",
        assumptions=("The class is not recorded: taken as class 0.",) if assumed else (),
        inputs=(
            Amount.of("class", "", max(recorded, 0), "" if recorded >= 0 else "not recorded"),
            *inputs,
            Amount.of("port type", "", np.nan if type_ < 0 else type_, known),
        ),
        steps=(
            Step.of("At the port", "power needed at the port", "W", bands_of(load)),
            Step.of("Limit", "limit", "W", lookup(PORT_TYPE_POWER_W, np.array([type_]))[0]),
        ),
    )


def _type_of_port(scene: Scene, port: int) -> int:
    """The type of the port of a row; −1 not recorded."""
    switch_id = int(scene.plant.switch_id[scene.plant.ports.switch_index[port]])
    switch = scene.row_of((SubjectKind.SWITCH, switch_id))
    return int(port_types(scene.plant, np.array([port]), np.array([switch]))[0])


@explains("endpoint_cable")
def endpoint_cable(scene: Scene, load: Load) -> Worked:
    return Worked(
        formula="The length as recorded, with the band of how it is known.",
        inputs=(
            Amount.of("length of the data cable", "m", bands_of(load), _cable_known(scene, load.subject)),
            Amount.of("longest channel", "m", MAX_CHANNEL_M, "TIA-568, ISO/IEC 11801"),
        ),
    )


def _allocations(scene: Scene, load: Load) -> Table:
    plant, loads = scene.plant, connected(scene.plant, scene.members)
    (on,) = np.nonzero(plant.ports.switch_index[loads.port_row] == scene.index(load.subject))
    rows: list[list[object]] = []
    for at in on[np.argsort(plant.ports.number[loads.port_row[on]], kind="stable")]:
        port, end = loads.port_row[at], loads.endpoint_row[at]
        if end >= 0:
            name = scene.name(SubjectKind.ENDPOINT, int(plant.endpoints.endpoint_index[end]))
            poe_class, negotiated = plant.endpoints.poe_class[end], plant.endpoints.negotiated_power_w[end]
        else:
            name, poe_class, negotiated = "another load", plant.ports.other_class[port], np.nan
        shown = "not recorded" if poe_class < 0 else str(int(poe_class))
        rows.append([int(plant.ports.number[port]), name, shown, negotiated, loads.allocated_w[LIKELY, at]])
    return Table.of("Allocated power by port", _PORTS, rows)


def _cable_known(scene: Scene, endpoint: Subject) -> str:
    if np.isnan(scene.fact(endpoint, "length_m")):
        return "length not recorded: taken as usual, and at most what its class allows"
    return f"length {Basis(int(scene.fact(endpoint, 'length_basis'))).label}"
