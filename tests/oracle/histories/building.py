"""How a site begins: closets, blocks, sources, zones and runs, put up by one job or by several."""

from __future__ import annotations

import random

from .things import Body, Things

SIGNALS = ["unknown", "speech", "tones"]


def building(things: Things) -> list[list[Body]]:
    """Operations that put up a site, a list a change set."""
    rng, models = things.rng, things.catalogue.models
    first: list[Body] = [{"op": "closet.add", "name": "C1", "label": "c"}]
    for number, kind in enumerate(
        rng.sample(["66_split", "66_split", "66_unsplit", "110", "screw"], 3), start=1
    ):
        first.append(
            {"op": "block.add", "closet_id": "@c", "name": f"B{number}", "kind": kind, "label": f"b{number}"}
        )
    zones = rng.randint(1, 4)
    first += [
        {"op": "zone.add", "name": f"Z{number}", "label": f"z{number}", "signal": SIGNALS[number % 3]}
        for number in range(1, zones + 1)
    ]
    supplies, amplifiers = rng.randint(1, 3), rng.randint(0, 2)
    for number in range(1, supplies + 1):
        body: Body = {"op": "supply.add", "closet_id": "@c", "name": f"PS{number}", "label": f"s{number}"}
        if things.chance(0.95):
            body["model_id"] = rng.choice(models["supply"][:6] if things.chance(0.85) else models["supply"])
        first.append(body)
    for number in range(1, amplifiers + 1):
        body = {"op": "amplifier.add", "closet_id": "@c", "name": f"A{number}", "label": f"a{number}"}
        body["model_id"] = rng.choice(models["amplifier"])
        if things.chance(0.85):
            body["line_voltage_v"] = rng.choice([25.0, 70.7, 70.7, 100.0])
        first.append(body)
    if zones > 1 and things.chance(0.4):
        together = [f"@z{number}" for number in rng.sample(range(1, zones + 1), rng.randint(1, zones))]
        first.append({"op": "paging_set.add", "name": "all day", "zone_ids": together})
    first += _network(things)
    runs = _runs(things, rng, zones, supplies, amplifiers)
    if things.chance(0.5):
        return [first + [body for run in runs for body in run]]
    return [first + runs[0], *runs[1:]]


def _network(things: Things) -> list[Body]:
    rng, models = things.rng, things.catalogue.models
    bodies: list[Body] = []
    bodies.append(
        {
            "op": "switch.add",
            "closet_id": "@c",
            "name": "SW1",
            "model_id": rng.choice(models["switch"][:3]),
            "label": "sw",
        }
    )
    if things.chance(0.4):
        bodies[-1] |= {"power_supply_count": rng.choice([1, 2]), "usage_threshold": rng.choice([0.7, 0.9])}
    return bodies + [
        {
            "op": "endpoint.add",
            "name": f"GW{number}",
            "closet_id": "@c",
            "model_id": rng.choice(models["gateway"][:3]),
            "port_id": f"@sw/switch_port/{number}",
            "label": f"g{number}",
            **cable(things),
        }
        for number in range(1, rng.randint(1, 2) + 1)
    ]


def cable(things: Things) -> Body:
    """The data cable of an endpoint, and how it answers on the network."""
    rng = things.rng
    body: Body = {}
    if things.chance(0.7):
        body["cable_length_m"] = round(rng.uniform(5, 115), 1)
        body["cable_length_basis"] = rng.choice(["guessed", "drawing", "marked", "measured"])
    if things.chance(0.7):
        body["cable_type_id"] = rng.choice(things.catalogue.cables)
    if things.chance(0.6):
        body["address"] = f"10.20.0.{rng.randint(1, 9)}"
        if things.chance(0.5):
            body["vlan"] = rng.choice([10, 20])
    if things.chance(0.3):
        body["negotiated_class"] = rng.choice([2, 3, 4])
    if things.chance(0.2):
        body["negotiated_power_w"] = round(rng.uniform(4, rng.choice([12, 25, 75])), 1)
    return body


def _runs(things: Things, rng: random.Random, zones: int, supplies: int, amplifiers: int) -> list[list[Body]]:
    """The operations of each run, its points among them."""
    out = []
    kinds = ["self_amplified"] * rng.randint(2, 3)
    if amplifiers:
        kinds += [rng.choice(["constant_voltage", "constant_voltage", "low_impedance"])] * rng.randint(1, 2)
    for number, kind in enumerate(kinds, start=1):
        block = rng.randint(1, 3)
        body: Body = {
            "op": "run.add",
            "block_id": f"@b{block}",
            "name": f"R{number}",
            "kind": kind,
            "label": f"r{number}",
        }
        if things.chance(0.95):
            body["zone_id"] = f"@z{rng.randint(1, zones)}"
        if kind == "self_amplified":
            if things.chance(0.9):
                body["supply_id"] = f"@s{rng.randint(1, supplies)}"
            if things.chance(0.9):
                body["output_id"] = "@g1/output/1"
        elif things.chance(0.95):
            body["amplifier_id"] = f"@a{rng.randint(1, amplifiers)}"
        if things.chance(0.3):
            body["fuse_rating_a"] = rng.choice([0.5, 0.75, 1.0])
        if rng.random() < 0.15:
            body["design_temperature_c"] = rng.choice([-25.0, 12.0, 40.0])
        count = rng.randint(3, 11) if kind == "self_amplified" else rng.randint(2, 6)
        out.append([body, *things.chain(f"@r{number}", kind, None, count)])
    return out
