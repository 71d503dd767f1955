"""Worked calculations of self-amplified runs on DC."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from zones.electrical.bands import LIKELY, FloatArray, IntArray
from zones.electrical.figures import sums
from zones.electrical.self_amplified import CLASS_2_LIMIT_VA
from zones.electrical.subjects import SubjectKind
from zones.loads.site_loads import Load

from .registry import explains
from .scene import PAGE, SEGMENT, Scene
from .worked import (
    LENGTH_KNOWN,
    Amount,
    Column,
    Step,
    Table,
    Worked,
    amount_of_fraction,
    columns,
    estimates,
    limit_by_fraction,
    number,
)

_EXTREMES = (
    "The supply is taken at the bottom of its tolerance, or of its battery; conductors at the site's design "
    "temperature."
)
_JUDGED = (
    "The judged speaker is the one with the least margin in the likely estimate. The high estimate takes "
    "long cable, of the highest resistance that its standard allows, and high currents."
)
_DRAWS = columns("run", "point", "model", "devices", *estimates("A"), Column("known", "how it is known"))
_SEGMENTS = columns(
    *SEGMENT,
    "pairs",
    Column("resistance_ohm", "loop resistance", "Ω"),
    Column("current_a", "current", "A"),
    Column("drop_v", "drop", "V"),
    Column("voltage_v", "voltage there", "V"),
    LENGTH_KNOWN,
)


@explains("supply_current")
def supply_current(scene: Scene, load: Load) -> Worked:
    dc, plant = scene.dc, scene.plant
    tree = int(np.flatnonzero(dc.network.tree_supply == scene.index(load))[0])
    of_tree = dc.tree == tree
    current = dc.source_current[:, of_tree]
    instance = int(dc.tree_instance[of_tree][np.argmax(current[LIKELY])])
    entries = _entries(scene, instance, dc.network.tree == tree)
    drawn = _drawn(scene, entries)
    rated = float(dc.source.rated_current_a[tree])
    fraction = plant.factors.loading_fraction
    return Worked(
        formula="I = Σ Iₖ over everything that the supply feeds; a load of constant power draws P / V at its "
        "own voltage. Limit: rated current × loading fraction.",
        assumptions=(PAGE, _who_pages(scene, instance), _EXTREMES),
        inputs=(
            Amount.rated("rated current of the supply", "A", rated),
            amount_of_fraction(fraction),
        ),
        tables=(_draw_table(scene, entries, drawn), *_sets_table(scene, of_tree)),
        steps=(
            Step.of("Sum of the currents", "current drawn", "A", drawn.sum(axis=1)),
            Step.of("Current of the supply, its network solved", "supply current", "A", current.max(axis=1)),
            limit_by_fraction(rated, fraction, "A"),
        ),
    )


@explains("class_2_power")
def class_2_power(scene: Scene, load: Load) -> Worked:
    row = scene.row_of("supplies", "supply_index", scene.index(load))
    table = scene.plant.supplies
    loaded, no_load = float(table.rated_load_voltage_v[row]), float(table.no_load_voltage_v[row])
    volts = no_load if np.isnan(loaded) else loaded
    rated = float(table.rated_current_a[row])
    marked = {1: "marked Class 2", 0: "not marked Class 2"}.get(
        int(table.class_2_marked[row]), "Class 2 marking not recorded: read its label"
    )
    return Worked(
        formula="P = V × I: what the supply can deliver at its rated load.",
        assumptions=(
            f"The supply is recorded as: {marked}. The class is what equipment is marked, never inferred.",
        ),
        inputs=(
            Amount.rated("voltage at rated load", "V", volts),
            Amount.rated("rated current", "A", rated),
            Amount.of("Class 2 power", "VA", CLASS_2_LIMIT_VA, "NEC Chapter 9 Table 11, from memory"),
        ),
        steps=(
            Step(
                f"{number(volts, 'V')} × {number(rated, 'A')} = {number(volts * rated, 'VA')}.",
                Amount.of("power", "VA", volts * rated),
            ),
        ),
    )


@explains("run_voltage")
def run_voltage(scene: Scene, load: Load) -> Worked:
    dc = scene.dc
    node = _node(scene, load, load.detail)
    if node < 0 or dc.network.tree[node] < 0:
        return Worked(
            formula="V = Vs − I·Rs − Σ Iₖ·Rₖ along the path to the speaker with the least margin.",
            assumptions=("The record names no supply for this run, so there is no voltage to compute.",),
        )
    here = np.flatnonzero(dc.node == node)
    at = int(here[np.argmin(np.where(np.isnan(dc.voltage[LIKELY, here]), np.inf, dc.voltage[LIKELY, here]))])
    instance = int(dc.instance[at])
    tree = int(dc.network.tree[node])
    tree_at = int(np.flatnonzero((dc.tree == tree) & (dc.tree_instance == instance))[0])
    current = dc.source_current[:, tree_at]
    volts, ohms = float(dc.source.voltage_v[tree]), float(dc.source.resistance_ohm[tree])
    terminal = volts - ohms * current
    path = _path(dc.network.parent, node)
    rows, drop = [], np.zeros(3)
    for step in path:
        entry = int(np.flatnonzero((dc.node == step) & (dc.instance == instance))[0])
        segment = int(dc.network.segment[step])
        row = int(dc.network.wiring.row[segment]) if segment >= 0 else -1
        resistance = scene.loads.loop_resistance_ohm[:, row] if row >= 0 else np.zeros(3)
        fall = resistance * dc.branch[:, entry]
        drop = drop + fall
        rows.append(
            [
                scene.point_name(int(dc.network.wiring.row[step])),
                scene.loads.length_m[LIKELY, row] if row >= 0 else 0.0,
                scene.gauge(row) if row >= 0 else np.nan,
                scene.loads.conductors[row] if row >= 0 else np.nan,
                resistance[LIKELY],
                dc.branch[LIKELY, entry],
                fall[LIKELY],
                dc.voltage[LIKELY, entry],
                scene.length_known(row) if row >= 0 else "fed at this point",
            ]
        )
    minimum = float(scene.loads.minimum_voltage_v[dc.network.wiring.row[node]])
    supply = scene.name(SubjectKind.SUPPLY, int(dc.network.tree_supply[tree]))
    return Worked(
        formula="V = Vs − I·Rs − Σ Iₖ·Rₖ along the path; R of a loop = 2·R′·length / paralleled pairs, with "
        "R′ = 4·ρ/(π·d²), d = 0.005 in · 92^((36−n)/39), ρ = 1/58 Ω·mm²/m · (1 + 0.00393·(T − 20 °C)).",
        assumptions=(PAGE, _who_pages(scene, instance), _EXTREMES, _JUDGED),
        inputs=(
            Amount.rated(f"voltage of {supply}", "V", volts),
            Amount.of("internal resistance of the supply", "Ω", ohms, "from no-load and rated-load voltage"),
            Amount.of("design temperature", "°C", scene.site_temperature_c(), "of the site"),
            Amount.rated("lowest voltage at which the speaker works", "V", minimum),
        ),
        tables=(Table.of("Along the path, likely estimate", _SEGMENTS, rows),),
        steps=(
            Step(
                f"At the supply: {number(volts, 'V')} − {number(float(current[LIKELY]), 'A')} × "
                f"{number(ohms, 'Ω')} = {number(float(terminal[LIKELY]), 'V')}.",
                Amount.of("voltage at the supply", "V", terminal),
            ),
            Step.of("Drop along the path", "drop along the path", "V", drop),
            Step(
                f"At {scene.point_name(int(dc.network.wiring.row[node]))}: "
                f"{number(float(terminal[LIKELY]), 'V')} − {number(float(drop[LIKELY]), 'V')} = "
                f"{number(float(dc.voltage[LIKELY, at]), 'V')}.",
                Amount.of("voltage there", "V", dc.voltage[:, at]),
            ),
        ),
    )


@explains("run_current")
def run_current(scene: Scene, load: Load) -> Worked:
    dc, plant = scene.dc, scene.plant
    run = _run(scene, load)
    of_run = dc.network.from_block[dc.node] & (dc.network.wiring.run[dc.node] == run)
    per_instance = sums(dc.instance[of_run], dc.branch[:, of_run], len(dc.scenarios.member))
    instance = int(np.argmax(per_instance[LIKELY]))
    entries = _entries(scene, instance, (dc.network.wiring.run == run) & (dc.network.tree >= 0))
    rating = float(plant.runs.fuse_rating_a[dc.network.wiring.run_row[run]])
    current = per_instance.max(axis=1)
    return Worked(
        formula="I = Σ of the currents in the segments that leave the block. Limit: fuse rating × loading "
        "fraction.",
        assumptions=(PAGE, _who_pages(scene, instance)),
        inputs=(
            Amount.of("rating of the fuse", "A", rating, "marking of the fuse"),
            amount_of_fraction(plant.factors.loading_fraction),
        ),
        tables=(_draw_table(scene, entries, _drawn(scene, entries)),),
        steps=(
            Step.of("Current of the run", "run current", "A", current),
            limit_by_fraction(rating, plant.factors.loading_fraction, "A"),
        ),
    )


@explains("conductor_current")
def conductor_current(scene: Scene, load: Load) -> Worked:
    dc = scene.dc
    segment = _node(scene, load, load.detail)
    node = int(np.flatnonzero(dc.network.segment == segment)[0])
    here = np.flatnonzero(dc.node == node)
    branch = dc.branch[:, here].max(axis=1)
    row = int(dc.network.wiring.row[segment])
    pairs = float(scene.loads.conductors[row])
    each = branch / pairs
    known = "recorded" if scene.loads.pairs_recorded[row] else "not recorded: taken as one"
    return Worked(
        formula="I of one conductor = I of the segment / paralleled pairs. Limit: rating of the cable type.",
        assumptions=(
            PAGE,
            "Each leg of the loop is as many conductors as there are pairs; they share the current evenly.",
        ),
        inputs=(
            Amount.of("pairs paralleled", "", pairs, known),
            Amount.of(
                "rating of one conductor",
                "A",
                scene.loads.conductor_rating_a[row],
                "data sheet of the cable, or 1 A for 23 and 24 AWG (common practice)",
            ),
        ),
        steps=(
            Step.of(
                f"Current of the segment to {scene.point_name(row)}", "current of the segment", "A", branch
            ),
            Step(
                f"{number(float(branch[LIKELY]), 'A')} / {pairs:g} = {number(float(each[LIKELY]), 'A')}.",
                Amount.of("current of one conductor", "A", each),
            ),
        ),
    )


# --- the parts ----------------------------------------------------------------------------------------------


def _run(scene: Scene, load: Load) -> int:
    """The run of a load, by its position in the DC wiring."""
    wiring = scene.dc.network.wiring
    of = scene.plant.runs.run_index[wiring.run_row] == scene.index(load)
    return int(np.flatnonzero(of)[0])


def _node(scene: Scene, load: Load, point_id: int | None) -> int:
    """The node of a point on the run of a load, −1 where there is none."""
    wiring = scene.dc.network.wiring
    ids = scene.plant.point_id[scene.plant.points.point_index[wiring.row]]
    of_run = scene.plant.points.run_index[wiring.row] == scene.index(load)
    found = np.flatnonzero((ids == (-1 if point_id is None else point_id)) & of_run)
    return int(found[0]) if len(found) else -1


def _path(parent: IntArray, node: int) -> list[int]:
    """Nodes from the feed to ``node``, this included."""
    path = [node]
    while parent[path[-1]] >= 0:
        path.append(int(parent[path[-1]]))
    return path[::-1]


def _entries(scene: Scene, instance: int, nodes: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> IntArray:
    """The entries of an instance whose node is chosen and has a device."""
    dc = scene.dc
    loaded = scene.loads.loaded[dc.network.wiring.row[dc.node]]
    return np.flatnonzero((dc.instance == instance) & nodes[dc.node] & loaded)


def _drawn(scene: Scene, entries: IntArray) -> FloatArray:
    """(3, k) current that each draws in its state; constant power taken at its own voltage."""
    dc, loads = scene.dc, scene.loads
    row = dc.network.wiring.row[dc.node[entries]]
    speaking = dc.speaking[entries]
    amps = np.where(speaking, loads.speech_a[:, row], loads.idle_a[:, row])
    watts = np.where(speaking, loads.speech_w[:, row], loads.idle_w[:, row])
    with np.errstate(invalid="ignore", divide="ignore"):
        drawn: FloatArray = amps + np.where(watts > 0, watts / dc.voltage[:, entries], 0.0)
    return drawn


def _draw_table(scene: Scene, entries: IntArray, drawn: FloatArray) -> Table:
    dc = scene.dc
    rows = []
    for place, entry in enumerate(entries):
        row = int(dc.network.wiring.row[dc.node[entry]])
        state = "" if dc.speaking[entry] else "idle; "
        rows.append(
            [
                scene.run_name_of(row),
                scene.point_name(row),
                scene.model_name(row),
                scene.loads.count[LIKELY, row],
                *drawn[:, place],
                state + scene.current_known(row),
            ]
        )
    return Table.of("Current by device", _DRAWS, rows)


def _sets_table(scene: Scene, of_tree: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Iterable[Table]:
    dc = scene.dc
    if of_tree.sum() < 2:
        return ()
    rows = [
        [_set_name(scene, int(dc.tree_instance[k])), *dc.source_current[:, k]]
        for k in np.flatnonzero(of_tree)
    ]
    shown = columns(Column("paging", "paging set"), *estimates("A"))
    return (Table.of("Each paging set with the others idle; the worst counts", shown, rows),)


def _who_pages(scene: Scene, instance: int) -> str:
    if scene.dc.scenarios.paging_set[instance] < 0:
        return "Everything that the supply feeds pages at once: the site lists no paging sets."
    return f"{_set_name(scene, instance)} pages and the other zones are idle: the worst of the paging sets."


def _set_name(scene: Scene, instance: int) -> str:
    """The zones of a paging set, as people call them."""
    dc = scene.dc
    zones = dc.scenarios.zones
    listed = [
        scene.zones.get(int(zones[key % len(zones)]), "a zone")
        for key in dc.scenarios.pages
        if key // len(zones) == instance
    ]
    return ", ".join(sorted(listed)) or "no zone"
