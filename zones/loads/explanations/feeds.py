"""Worked calculations of what feeds a run: counts, and what was counted."""

from __future__ import annotations

import numpy as np

from zones.electrical.bands import LIKELY, IntArray
from zones.electrical.feeds import cut_off
from zones.electrical.plant import BoolArray
from zones.electrical.subjects import SubjectKind
from zones.loads.site_loads import Load

from .registry import explains
from .scene import Scene
from .worked import Amount, Step, Table, Worked, columns, number


@explains("no_feed")
def no_feed(scene: Scene, load: Load) -> Worked:
    network = scene.dc.network
    rows = network.wiring.row
    nodes = np.flatnonzero(_of_run(scene, load) & cut_off(scene.plant, network) & scene.loads.loaded[rows])
    cells = [
        [scene.point_name(row), scene.point_name(top), scene.loads.count[LIKELY, row]]
        for row, top in zip(rows[nodes].tolist(), rows[network.top[nodes]].tolist(), strict=True)
    ]
    return Worked(
        formula="n = Σ of the speakers in sections that begin at a cut negative and have no feed.",
        assumptions=("Where no supply of the run is recorded, it is not certain that they are without one.",),
        tables=(Table.of("Speakers without a feed", columns("point", "cut_before", "devices"), cells),),
        steps=(Step.of("Together", "speakers", "", scene.loads.count[:, rows[nodes]].sum(axis=1)),),
    )


@explains("supplies_paralleled")
def supplies_paralleled(scene: Scene, load: Load) -> Worked:
    network, plant = scene.dc.network, scene.plant
    rows = network.wiring.row
    several = _of_run(scene, load) & (network.feeds > 1)
    at_point = plant.points.feed_supply_index[rows]
    at_points = np.flatnonzero(several & (at_point >= 0))
    cells = [[scene.point_name(int(rows[node])), _name(scene, at_point[node])] for node in at_points]
    of_block = plant.runs.supply_index[network.wiring.run_row][network.wiring.run]
    at_block = several & (network.wiring.parent < 0) & ~plant.points.negative_cut[rows] & (of_block >= 0)
    cells[:0] = [["block", _name(scene, supply)] for supply in of_block[at_block]]
    return Worked(
        formula="n = the most feeds that meet on one section: cable without a cut in its negative.",
        tables=(Table.of("Feeds that meet", columns("lands_at", "supply"), cells),),
        steps=(Step.of("On one section", "feeds", "", int(network.feeds[several].max())),),
    )


@explains("supply_over_voltage")
def supply_over_voltage(scene: Scene, load: Load) -> Worked:
    no_load, loaded, tolerance, charging = (
        scene.fact(load.subject, name)
        for name in ("no_load_voltage_v", "rated_load_voltage_v", "voltage_tolerance", "float_voltage_v")
    )
    volts = loaded if np.isnan(no_load) else no_load
    network, wiring = scene.dc.network, scene.dc.network.wiring
    tree = np.flatnonzero(network.supplies.index == scene.index(load.subject))[0]
    reached = np.zeros(len(wiring.row), np.bool_)
    reached[network.reach_node[network.reach_tree == tree]] = True
    node = scene.node_of(wiring, load, reached)
    most = scene.loads.maximum_voltage_v[wiring.row[node]]
    top = volts * (1.0 + tolerance)
    return Worked(
        formula="V = no-load voltage × (1 + tolerance), or the float charge of its battery if that is more.",
        inputs=(
            Amount.rated("no-load voltage", "V", volts),
            Amount.rated("tolerance", "", tolerance),
            Amount.rated("float voltage", "V", charging),
            Amount.rated(f"highest voltage that {scene.point_name(int(wiring.row[node]))} takes", "V", most),
        ),
        steps=(
            Step.worked(f"{number(volts, 'V')} × {1.0 + tolerance:g}", "top of its tolerance", "V", top),
            Step.of("The higher of it and the float charge", "voltage", "V", np.fmax(top, charging)),
        ),
    )


def _name(scene: Scene, supply: IntArray) -> str:
    return scene.name(SubjectKind.SUPPLY, int(supply))


def _of_run(scene: Scene, load: Load) -> BoolArray:
    """(n,) the nodes of the run of a load."""
    wiring = scene.dc.network.wiring
    of_run: BoolArray = wiring.runs.index[wiring.run] == scene.index(load.subject)
    return of_run
