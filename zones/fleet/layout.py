"""What stands on the sites of a batch on the day they were built or taken over: everything but cable runs'
points."""

from __future__ import annotations

import numpy as np

from zones.fleet.batch import (
    NONE,
    SITES_A_BATCH,
    Batch,
    ChangeKind,
    Fate,
    Floats,
    Gap,
    Ints,
    RunKind,
    number_within,
    pick,
    several,
    totals,
)
from zones.fleet.catalogue import Cable, Model
from zones.fleet.days import BUILT_FIRST, BUILT_LAST

ZONE_KINDS = {RunKind.SELF_AMPLIFIED: 0.55, RunKind.CONSTANT_VOLTAGE: 0.42, RunKind.LOW_IMPEDANCE: 0.03}
FATES = {Fate.ORDINARY: 0.828, Fate.PAST: 0.016, Fate.NEAR: 0.056, Fate.UNKNOWN: 0.10}
GAPS = {
    RunKind.SELF_AMPLIFIED: {Gap.LENGTHS: 0.35, Gap.MODELS: 0.35, Gap.COUNT: 0.2, Gap.SUPPLY: 0.1},
    RunKind.CONSTANT_VOLTAGE: {Gap.TAPS: 0.75, Gap.AMPLIFIER: 0.2, Gap.CABLE: 0.05},
    RunKind.LOW_IMPEDANCE: {Gap.AMPLIFIER: 1.0},
}
"""Each so wide that a limit may be past as well as not: how such a zone stands cannot be told."""
TEMPERATURES_C = {20: 0.6, -25: 0.15, 30: 0.15, 5: 0.1}
LOADING = 0.8
COMFORT = 0.85
"""Sources are chosen so that their load is at most this share of what they may carry."""


def lay_out(rng: np.random.Generator, number: int) -> Batch:
    """Sites, closets, blocks, zones and runs (``place_sources`` adds what feeds them)."""
    batch = Batch(number)
    sites = np.arange(SITES_A_BATCH)
    taken_over = rng.random(SITES_A_BATCH) < 0.4
    day = rng.integers(BUILT_FIRST, BUILT_LAST, SITES_A_BATCH)
    batch.add(
        "change_set",
        {
            "site": sites,
            "day": day,
            "kind": np.where(taken_over, ChangeKind.TAKEOVER, ChangeKind.WORK),
            "wording": np.where(taken_over, 1, 0),
            "crew": rng.integers(0, 40, SITES_A_BATCH),
        },
    )
    batch.add(
        "site",
        {
            "change": sites,
            "number": number * SITES_A_BATCH + sites,
            "surveyed_day": np.where(taken_over, day, NONE),
            "temperature_c": pick(rng, TEMPERATURES_C, SITES_A_BATCH),
            "trade": rng.integers(0, 3, SITES_A_BATCH),
            "place": rng.integers(0, 1 << 30, SITES_A_BATCH),
        },
    )
    closets = pick(rng, {1: 0.45, 2: 0.4, 3: 0.15}, SITES_A_BATCH)
    closet_site, closet_number = several(closets)
    batch.add("closet", {"change": closet_site, "site": closet_site, "number": closet_number})
    batch.add("contact", {"change": sites, "site": sites, "person": rng.integers(0, 400, SITES_A_BATCH)})

    # audio, DC and lines each on a block of their own: block = 3 · closet + 0, 1 or 2
    block_closet, block_use = several(np.full(len(closet_site), 3))
    batch.add(
        "block",
        {"change": closet_site[block_closet], "site": closet_site[block_closet], "closet": block_closet,
         "use": block_use, "number": closet_number[block_closet]},
    )  # fmt: skip
    _zones(rng, batch, np.cumsum(closets) - closets, closets)
    return batch


def _zones(rng: np.random.Generator, batch: Batch, first_closet: Ints, closets: Ints) -> None:
    zone_site, zone_number = several(rng.binomial(8, 0.5, SITES_A_BATCH) + 4)
    count = len(zone_site)
    kind = pick(rng, ZONE_KINDS, count)
    fate = pick(rng, FATES, count)
    fate = np.where((kind == RunKind.LOW_IMPEDANCE) & (fate != Fate.UNKNOWN), Fate.ORDINARY, fate)
    gap = np.full(count, NONE)
    for one, shares in GAPS.items():
        gap = np.where((kind == one) & (fate == Fate.UNKNOWN), pick(rng, shares, count), gap)
    closet = first_closet[zone_site] + zone_number % closets[zone_site]
    batch.add(
        "zone",
        {"change": zone_site, "site": zone_site, "number": zone_number, "closet": closet, "kind": kind,
         "fate": fate, "gap": gap, "place": rng.integers(0, 1 << 30, count),
         "life_safety": pick(rng, {0: 0.1, 1: 0.6, 2: 0.3}, count)},
    )  # fmt: skip
    # a zone that comes close to its limit, or past it, does so on its only run
    runs = np.where(
        (fate == Fate.PAST) | (fate == Fate.NEAR), 1, pick(rng, {1: 0.54, 2: 0.34, 3: 0.12}, count)
    )
    run_zone, run_number = several(runs)
    run_kind = kind[run_zone]
    block = 3 * closet[run_zone] + np.where(run_kind == RunKind.SELF_AMPLIFIED, 0, 2)
    site = zone_site[run_zone]
    batch.add(
        "run",
        {"change": site, "site": site, "zone": run_zone, "number": run_number, "kind": run_kind,
         "closet": closet[run_zone], "block": block, "fate": fate[run_zone], "gap": gap[run_zone],
         "place_on_block": number_within(block)},
    )  # fmt: skip


def place_sources(rng: np.random.Generator, batch: Batch, run_current_a: Floats, run_power_w: Floats) -> None:
    """Supplies, amplifiers, gateways and switches for the runs, and what feeds each run.

    run_current_a, run_power_w: (runs,) high estimates of the load [A], [W].
    """
    runs = batch.tables["run"]
    kind = runs["kind"]
    _supplies(batch, totals(runs["zone"], run_current_a, batch.count("zone")))
    amplified = np.flatnonzero(kind != RunKind.SELF_AMPLIFIED)
    rated = np.array([60.0, 120.0, 250.0])
    size = np.searchsorted(rated * LOADING * COMFORT, run_power_w[amplified]).clip(0, 2)
    constant = kind[amplified] == RunKind.CONSTANT_VOLTAGE
    near = runs["fate"][amplified] == Fate.NEAR
    model = np.where(constant, Model.AMPLIFIER_60 + np.where(near, 0, size), Model.LOW_AMPLIFIER)
    amplifier = np.full(len(kind), NONE)
    amplifier[amplified] = batch.add(
        "amplifier",
        {"change": runs["site"][amplified], "site": runs["site"][amplified],
         "closet": runs["closet"][amplified], "number": number_within(runs["closet"][amplified]),
         "model": model, "line_voltage_v": np.where(constant, runs["line_voltage_v"][amplified], np.nan)},
    )  # fmt: skip
    runs["amplifier"] = amplifier
    _network(rng, batch)


def _supplies(batch: Batch, zone_current_a: Floats) -> None:
    """A supply a zone. Their positions are those of the self-amplified zones among all zones."""
    zones, runs = batch.tables["zone"], batch.tables["run"]
    fed = np.flatnonzero(zones["kind"] == RunKind.SELF_AMPLIFIED)
    rated = np.array([1.0, 2.0, 4.0])
    size = np.searchsorted(rated * LOADING * COMFORT, zone_current_a[fed]).clip(0, 2)
    supply = np.full(batch.count("zone"), NONE)
    supply[fed] = batch.add(
        "supply",
        {"change": zones["site"][fed], "site": zones["site"][fed], "closet": zones["closet"][fed],
         "number": number_within(zones["closet"][fed]), "model": Model.SUPPLY_1 + size},
    )  # fmt: skip
    runs["supply"] = supply[runs["zone"]]


def _network(rng: np.random.Generator, batch: Batch) -> None:
    """Gateways for the runs of each closet, an output a run; here and there network speakers; a switch."""
    runs, closets, zones = batch.tables["run"], batch.tables["closet"], batch.tables["zone"]
    closet_count = batch.count("closet")
    wanted = np.bincount(runs["closet"], minlength=closet_count)
    gateway_closet, gateway_number = several((wanted + 3) // 4)
    left = wanted[gateway_closet] - 4 * gateway_number
    outputs = np.where(left <= 2, 2, 4)
    speaker_zone = np.flatnonzero(rng.random(batch.count("zone")) < 0.12)
    # at most two at a closet: its switch feeds the gateways first
    speaker_zone = speaker_zone[number_within(zones["closet"][speaker_zone]) < 2]
    closet = np.concatenate([gateway_closet, zones["closet"][speaker_zone]])
    is_gateway = np.arange(len(closet)) < len(gateway_closet)
    site = closets["site"][closet]
    port_number = number_within(closet)
    allocated = totals(closet, np.where(is_gateway, 7.0, 15.4), closet_count)
    large = (allocated > COMFORT * 65.0) | (np.bincount(closet, minlength=closet_count) > 7)

    switch = batch.add(
        "switch",
        {"change": closets["site"], "site": closets["site"], "closet": np.arange(closet_count),
         "number": closets["number"], "model": np.where(large, Model.SWITCH_24, Model.SWITCH_8),
         "power_supply_count": np.where(large, 2, 1),
         "owner": pick(rng, {0: 0.3, 1: 0.6, 2: 0.1}, closet_count)},
    )  # fmt: skip
    port_switch, number = several(np.where(large, 24, 8))
    port_site = closets["site"][port_switch]
    batch.add(
        "switch_port",
        {"change": port_site, "site": port_site, "switch": switch[port_switch], "number": number + 1,
         "priority": pick(rng, {0: 0.1, 1: 0.2, 2: 0.7}, len(number))},
    )  # fmt: skip
    first_port = np.searchsorted(port_switch, np.arange(closet_count))
    endpoint = batch.add(
        "endpoint",
        {"change": site, "site": site, "closet": np.where(is_gateway, closet, NONE),
         "number": number_within(site), "speaker": np.where(is_gateway, 0, 1),
         "serial": rng.integers(0, 1 << 40, len(site))},
    )  # fmt: skip
    model = np.where(is_gateway, Model.NETWORK_SPEAKER, 0)
    model = np.full(len(site), int(Model.NETWORK_SPEAKER))
    model[is_gateway] = np.where(outputs == 2, Model.GATEWAY_2, Model.GATEWAY_4)
    batch.add(
        "endpoint_facts",
        {"change": site, "at": site, "site": site, "endpoint": endpoint, "model": model,
         "port": first_port[closet] + port_number, "cable": np.full(len(site), int(Cable.CATEGORY_23)),
         "length_m": rng.uniform(3.0, 30.0, len(site)).round(1) + np.where(is_gateway, 0.0, 25.0),
         "address": batch.tables["site"]["number"][site] * 256 + 10 + number_within(site)},
    )  # fmt: skip
    output_gateway, output_number = several(outputs)
    output_site = site[output_gateway]
    batch.add(
        "output",
        {"change": output_site, "site": output_site, "endpoint": endpoint[output_gateway],
         "number": output_number + 1},
    )  # fmt: skip
    first_gateway = np.searchsorted(gateway_closet, np.arange(closet_count))
    first_output = np.cumsum(outputs) - outputs
    place = number_within(runs["closet"])
    runs["output"] = first_output[first_gateway[runs["closet"]] + place // 4] + place % 4
    speaker = endpoint[~is_gateway]
    batch.add(
        "zone_endpoint",
        {"change": site[~is_gateway], "site": site[~is_gateway], "zone": speaker_zone, "endpoint": speaker},
    )
