"""Worked calculations of self-amplified runs on DC."""

from __future__ import annotations

import numpy as np

from zones.electrical.bands import LIKELY, FloatArray, IntArray
from zones.electrical.conductors import design_temperature_c
from zones.electrical.figures import sums
from zones.electrical.plant import BoolArray
from zones.electrical.self_amplified import FULL_OUTPUT
from zones.electrical.subjects import SubjectKind
from zones.limits.limit import NO_NUMBER
from zones.loads.site_loads import Load

from .registry import explains
from .scene import SEGMENT, Scene, path_to
from .worked import (
    LENGTH_KNOWN,
    Amount,
    Column,
    Step,
    Table,
    Worked,
    amount_of_fraction,
    bands_of,
    columns,
    estimates,
    limit_by_fraction,
    number,
)

_EXTREMES = (
    "The supply is taken at the bottom of its tolerance, or of its battery; conductors at the design "
    "temperature of the run, else of the site; below 20 °C the high estimate takes 20 °C unless it is "
    "the run's own."
)
_JUDGED = (
    "The judged speaker is the one with the least margin over its own minimum, in each estimate by itself. "
    "The high estimate takes long cable, of the highest resistance that its standard allows, and high "
    "currents."
)
_OVERLOADED = (
    "A run that has no stable voltage is left out, and its demand is drawn at the supply: constant currents "
    "as they are, loads in watts at the supply's voltage or at the kinder estimate's, with the larger "
    "current. They may draw even more."
)
_SAGS = (
    "The model of the supply states its voltage at rated load and no rated current, so by how much it falls "
    "is not recorded: computed as if it did not fall, and never said to be in order."
)
_SHARED = (
    "Several supplies feed one section of the run: what each of them carries, and how much flows where, "
    "cannot be computed."
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


@explains("supply_current", FULL_OUTPUT["supply_current"])
def supply_current(scene: Scene, load: Load) -> Worked:
    dc, fraction = scene.dc, scene.plant.factors.loading_fraction
    tree = int(np.flatnonzero(dc.network.supplies.index == scene.index(load.subject))[0])
    of_tree = dc.tree == tree
    current = dc.source_current[:, of_tree]
    instance = int(dc.tree_instance[of_tree][np.argmax(current[LIKELY])])
    entries = _entries(scene, instance, dc.network.tree == tree)
    drawn = _drawn(scene, entries)
    rated = float(dc.source.rated_current_a[tree])
    return Worked(
        formula="I = Σ Iₖ over everything that the supply feeds; a load of constant power draws P / V at its "
        "own voltage. Limit: rated current × loading fraction.",
        assumptions=(
            scene.page,
            _who_pages(scene, instance),
            _EXTREMES,
            *_of_overloads(scene, entries),
            *(["Left out: sections that another supply feeds as well."] if dc.network.shared[tree] else []),
        ),
        inputs=(Amount.rated("rated current of the supply", "A", rated), amount_of_fraction(fraction)),
        tables=(_draw_table(scene, entries, drawn), *_sets_table(scene, of_tree)),
        steps=(
            Step.of("Sum of the currents", "current drawn", "A", drawn.sum(axis=1)),
            _supply_step(load),
            limit_by_fraction(rated, fraction, "A"),
        ),
    )


def _supply_step(load: Load) -> Step:
    said, name = "Current of the supply, its network solved", "supply current"
    if load.estimates.likely.overloaded:
        return Step(f"{said}: {NO_NUMBER}.", Amount.of(name, "A", bands_of(load)))
    return Step.of(said, name, "A", bands_of(load))


@explains("run_voltage", FULL_OUTPUT["run_voltage"])
def run_voltage(scene: Scene, load: Load) -> Worked:
    dc, wiring = scene.dc, scene.dc.network.wiring
    node = scene.node_of(wiring, load, _of_run(scene, load))
    likely = load.estimates.likely
    if likely.overloaded or (likely.bound and node < 0):
        return _no_voltage(scene, load)
    if node < 0 or dc.network.tree[node] < 0:
        why = (
            _SHARED
            if dc.network.paralleled[wiring.run[_of_run(scene, load)]].any()
            else "The record names no supply for this run, so there is no voltage to compute."
        )
        return Worked(
            formula="V = Vs − I·Rs − Σ Iₖ·Rₖ along the path to the speaker with the least margin.",
            assumptions=(why,),
        )
    here = np.flatnonzero(dc.node == node)
    at = here[np.argmin(np.nan_to_num(dc.voltage[LIKELY, here], nan=np.inf))]
    instance, tree = int(dc.instance[at]), int(dc.network.tree[node])
    current = dc.source_current[:, (dc.tree == tree) & (dc.tree_instance == instance)][:, 0]
    volts, ohms = float(dc.source.voltage_v[tree]), float(dc.source.resistance_ohm[tree])
    terminal = volts - ohms * current
    rows, drop = [], np.zeros(3)
    for step in path_to(dc.network.parent, node):
        (entry,) = np.flatnonzero((dc.node == step) & (dc.instance == instance))
        (resistance,) = dc.network.segment_ohm(scene.loads, np.array([step])).T
        fall = resistance * dc.branch[:, entry]
        drop = drop + fall
        length, gauge, pairs, known = 0.0, np.nan, np.nan, "fed at this point"
        if dc.network.segment[step] >= 0:
            row = int(wiring.row[dc.network.segment[step]])
            length, gauge = scene.loads.length_m[LIKELY, row], scene.gauge(row)
            pairs, known = scene.loads.conductors[row], scene.length_known(row)
        point, there = scene.point_name(int(wiring.row[step])), dc.voltage[LIKELY, entry]
        rows.append(
            [
                point,
                length,
                gauge,
                pairs,
                resistance[LIKELY],
                dc.branch[LIKELY, entry],
                fall[LIKELY],
                there,
                known,
            ]
        )
    minimum = float(scene.loads.minimum_voltage_v[wiring.row[node]])
    own = scene.plant.points.design_temperature_c[wiring.row[node]]
    degrees = design_temperature_c(scene.plant.temperature_c[0], own)
    supply = scene.name(SubjectKind.SUPPLY, int(dc.network.supplies.index[tree]))
    return Worked(
        formula="V = Vs − I·Rs − Σ Iₖ·Rₖ along the path; R of a loop = 2·R′·length / paralleled pairs, with "
        "R′ = 4·ρ/(π·d²), d = 0.005 in · 92^((36−n)/39), ρ = 1/58 Ω·mm²/m · (1 + 0.00393·(T − 20 °C)).",
        assumptions=(
            scene.page,
            _who_pages(scene, instance),
            _EXTREMES,
            _JUDGED,
            *([_SAGS] if dc.source.sags_unknown[tree] else []),
        ),
        inputs=(
            Amount.rated(f"voltage of {supply}", "V", volts),
            Amount.of("internal resistance of the supply", "Ω", ohms, "from no-load and rated-load voltage"),
            Amount.of("design temperature", "°C", degrees, f"of the {'site' if np.isnan(own) else 'run'}"),
            Amount.rated("lowest voltage at which the speaker works", "V", minimum),
        ),
        tables=(Table.of("Along the path, likely estimate", _SEGMENTS, rows),),
        steps=(
            Step.worked(
                f"At the supply: {number(volts, 'V')} − {number(current[LIKELY], 'A')} × {number(ohms, 'Ω')}",
                "voltage at the supply",
                "V",
                terminal,
            ),
            Step.of("Drop along the path", "drop along the path", "V", drop),
            Step.worked(
                f"At {scene.point_name(int(wiring.row[node]))}: {number(terminal[LIKELY], 'V')} − "
                f"{number(drop[LIKELY], 'V')}",
                "voltage there",
                "V",
                dc.voltage[:, at],
            ),
            *scene.decided_elsewhere(load),
        ),
    )


def _no_voltage(scene: Scene, load: Load) -> Worked:
    """Why a run has no voltage: it or its supply has no stable one."""
    dc, of_run = scene.dc, _of_run(scene, load)
    nodes = of_run & (dc.network.tree >= 0)
    none = dc.overloaded[LIKELY] if load.estimates.likely.overloaded else dc.voltage_bound[LIKELY]
    instance = int(dc.instance[np.flatnonzero(none & nodes[dc.node])[0]])
    entries = _entries(scene, instance, nodes)
    drawn = _drawn(scene, entries)
    tree = int(dc.network.tree[dc.node[np.flatnonzero(none & nodes[dc.node])[0]]])
    supply = scene.name(SubjectKind.SUPPLY, int(dc.network.supplies.index[tree]))
    why = f"{supply} has no stable voltage for all that it feeds, so the voltage of this run is not known."
    if load.estimates.likely.overloaded:
        why = (
            "There is no voltage at which every load of the run gets its power: the drop along the "
            "cable would leave nothing."
        )
    return Worked(
        formula="V = Vs − I·Rs − Σ Iₖ·Rₖ along the path, with Iₖ = P / V of a load of constant power.",
        assumptions=(scene.page, _who_pages(scene, instance), _EXTREMES, why),
        inputs=(
            Amount.rated(f"voltage of {supply}", "V", dc.source.voltage_v[tree]),
            Amount.of(
                "internal resistance of the supply",
                "Ω",
                dc.source.resistance_ohm[tree],
                "from no-load and rated-load voltage",
            ),
        ),
        tables=(_draw_table(scene, entries, drawn),),
        steps=(
            Step.of(
                "What the run asks for at the voltage of the supply",
                "current asked for",
                "A",
                drawn.sum(axis=1),
            ),
            *scene.decided_elsewhere(load),
        ),
    )


@explains("run_current", FULL_OUTPUT["run_current"])
def run_current(scene: Scene, load: Load) -> Worked:
    dc, fraction = scene.dc, scene.plant.factors.loading_fraction
    of_run = _of_run(scene, load)
    leaves = (dc.network.from_block & of_run)[dc.node] & ~np.isnan(dc.branch[LIKELY])
    per_instance = sums(dc.instance[leaves], dc.branch[:, leaves], len(dc.scenarios.member))
    instance = int(np.argmax(per_instance[LIKELY]))
    entries = _entries(scene, instance, of_run & (dc.network.tree >= 0))
    rating = scene.fact(load.subject, "fuse_rating_a")
    shared = dc.network.paralleled[dc.network.wiring.run[of_run]].any()
    return Worked(
        formula="I = Σ of the currents in the segments that leave the block. Limit: fuse rating × loading "
        "fraction.",
        assumptions=(scene.page, _who_pages(scene, instance), *([_SHARED] if shared else [])),
        inputs=(
            Amount.of("rating of the fuse", "A", rating, "marking of the fuse"),
            amount_of_fraction(fraction),
        ),
        tables=(_draw_table(scene, entries, _drawn(scene, entries)),),
        steps=(
            Step.of("Current of the run", "run current", "A", per_instance.max(axis=1)),
            limit_by_fraction(rating, fraction, "A"),
        ),
    )


@explains("conductor_current", FULL_OUTPUT["conductor_current"])
def conductor_current(scene: Scene, load: Load) -> Worked:
    dc, loads = scene.dc, scene.loads
    segment = scene.node_of(dc.network.wiring, load, _of_run(scene, load))
    if segment < 0:
        return Worked(
            formula="I of one conductor = I of the segment / paralleled pairs.", assumptions=(_SHARED,)
        )
    branch = np.fmax.reduce(dc.branch[:, dc.network.segment[dc.node] == segment], axis=1)
    row = int(dc.network.wiring.row[segment])
    pairs = float(loads.conductors[row])
    known = "recorded" if loads.pairs_recorded[row] else "not recorded: taken as one"
    return Worked(
        formula="I of one conductor = I of the segment / paralleled pairs. Limit: rating of the cable type.",
        assumptions=(
            scene.page,
            "Each leg of the loop is as many conductors as there are pairs; they share the current evenly.",
        ),
        inputs=(
            Amount.of("pairs paralleled", "", pairs, known),
            Amount.of(
                "rating of one conductor",
                "A",
                loads.conductor_rating_a[row],
                "data sheet of the cable, or 1 A for 24 AWG and thicker (common practice)",
            ),
        ),
        steps=(
            Step.of(
                f"Current of the segment to {scene.point_name(row)}", "current of the segment", "A", branch
            ),
            Step.worked(
                f"{number(branch[LIKELY], 'A')} / {pairs:g}", "current of one conductor", "A", branch / pairs
            ),
            *scene.decided_elsewhere(load),
        ),
    )


# --- the parts ----------------------------------------------------------------------------------------------


def _of_run(scene: Scene, load: Load) -> BoolArray:
    """(n,) the nodes of the run of a load."""
    wiring = scene.dc.network.wiring
    of_run: BoolArray = wiring.runs.index[wiring.run] == scene.index(load.subject)
    return of_run


def _entries(scene: Scene, instance: int, nodes: BoolArray) -> IntArray:
    """The entries of an instance whose node is chosen and has a device."""
    dc = scene.dc
    chosen = nodes & scene.loads.loaded[dc.network.wiring.row]
    return np.flatnonzero((dc.instance == instance) & chosen[dc.node])


def _drawn(scene: Scene, entries: IntArray) -> FloatArray:
    """(3, k) current that each draws in its state; constant power taken at its own voltage, or at the
    supply's where it has none."""
    dc = scene.dc
    tree = dc.network.tree[dc.node[entries]]
    source_v = np.append(dc.source.voltage_v, np.nan)[tree]
    voltage = np.where(np.isnan(dc.voltage[:, entries]), source_v, dc.voltage[:, entries])
    amps, watts = scene.loads.drawn(
        dc.network.wiring.row[dc.node[entries]], dc.speaking[entries], dc.tones[entries]
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        drawn: FloatArray = amps + np.where(watts > 0, watts / voltage, 0.0)
    return drawn


def _of_overloads(scene: Scene, entries: IntArray) -> tuple[str, ...]:
    return (_OVERLOADED,) if scene.dc.overloaded[:, entries].any() else ()


def _draw_table(scene: Scene, entries: IntArray, drawn: FloatArray) -> Table:
    dc = scene.dc
    rows = [
        [
            scene.run_name_of(row),
            scene.point_name(row),
            scene.model_name(row),
            scene.loads.count[LIKELY, row],
            *amps,
            ("full output; " if tones else "") * speaking
            + "idle; " * (not speaking)
            + scene.current_known(row),
        ]
        for row, speaking, tones, amps in zip(
            dc.network.wiring.row[dc.node[entries]].tolist(),
            dc.speaking[entries].tolist(),
            dc.tones[entries].tolist(),
            drawn.T,
            strict=True,
        )
    ]
    return Table.of("Current by device", _DRAWS, rows)


def _sets_table(scene: Scene, of_tree: BoolArray) -> tuple[Table, ...]:
    dc = scene.dc
    if of_tree.sum() < 2:
        return ()
    rows = [
        [_set_name(scene, int(dc.tree_instance[k])), *dc.source_current[:, k]]
        for k in np.flatnonzero(of_tree)
        if dc.source_current[LIKELY, k] > 0  # 0 A: a zone alone that this supply does not feed
    ]
    shown = columns(Column("paging", "who pages"), *estimates("A"))
    return (
        Table.of("Each paging set, and each zone in no set, with the others idle; the worst", shown, rows),
    )


def _who_pages(scene: Scene, instance: int) -> str:
    if scene.dc.scenarios.at_once[instance]:
        return "Everything that the supply feeds pages at once: the site lists no paging sets."
    worst = "the worst of the paging sets, and of the zones in no set, each alone."
    return f"{_set_name(scene, instance)} pages and the other zones are idle: {worst}"


def _set_name(scene: Scene, instance: int) -> str:
    """The zones that page in a scenario, as people call them."""
    dc = scene.dc
    zones = dc.scenarios.zones
    listed = [
        scene.zones.get(int(zones[key % len(zones)]), "a zone")
        for key in dc.scenarios.pages
        if key // len(zones) == instance
    ]
    return ", ".join(sorted(listed)) or "no zone"
