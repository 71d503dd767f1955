"""Feeds of self-amplified runs: sections that have none, sections that have several, and their voltage."""

from __future__ import annotations

import numpy as np

from .bands import HIGH
from .dc_network import DcNetwork, Sources
from .figures import FigureBlock, any_of, extremes, lookup, sums
from .plant import BoolArray, Plant
from .point_loads import PointLoads
from .wiring import first_where_extreme


def cut_off(plant: Plant, network: DcNetwork) -> BoolArray:
    """(n,) True for the nodes of sections that begin at a cut of the negative and have no feed."""
    cut = plant.points.negative_cut[network.wiring.row][network.top]
    return np.asarray(cut & (network.feeds == 0))


def dead(plant: Plant, network: DcNetwork) -> BoolArray:
    """(n,) True for the nodes that are cut off, where the run has a recorded supply."""
    return cut_off(plant, network) & _has_supply(plant, network)[network.wiring.run]


def over_voltage(plant: Plant, network: DcNetwork, source: Sources, loads: PointLoads) -> FigureBlock:
    """Figure supply_over_voltage, by supply: its highest voltage against the lowest maximum of the speakers
    that it is connected to, alone or with other supplies. Without a maximum that their models state there is
    none. source: of the trees of ``network`` [V]."""
    rows, trees = network.wiring.row[network.reach_node], len(source.row)
    most = np.where(loads.loaded[rows], loads.maximum_voltage_v[rows], np.nan)
    weakest = first_where_extreme(network.reach_tree, most, trees, largest=False)
    return network.supplies.figures(
        "supply_over_voltage",
        bands=source.highest_voltage_v,
        limit=lookup(most, weakest),
        detail=lookup(plant.point_id[plant.points.point_index[rows]], weakest),
        keep=weakest >= 0,
    )


def feed_figures(plant: Plant, network: DcNetwork, loads: PointLoads) -> list[FigureBlock]:
    """Figures no_feed and supplies_paralleled, by run, of the runs that have such a section.

    A section that begins at a cut of the negative has no feed but its own: without one its speakers are dead.
    Where no supply of the run is recorded, they only may be. At the block a missing supply is a gap in the
    record. Feeds that meet in a section are counted whether they are of one supply or of several.
    """
    wiring, runs = network.wiring, network.wiring.runs
    run, count, rows = wiring.run, len(wiring.run_row), wiring.row
    point_id = plant.point_id[plant.points.point_index[rows]]

    without = cut_off(plant, network) & loads.loaded[rows]
    speakers = sums(run[without], loads.count[:, rows[without]], count)
    speakers[:HIGH, ~_has_supply(plant, network)] = 0.0
    first = first_where_extreme(run, np.where(without, 0.0, np.nan), count, largest=True)

    met = extremes(run, network.feeds[np.newaxis].astype(float), count, largest=True)[0]
    is_root = (network.parent < 0) & (network.segment < 0)
    another = (network.feeds > 1) & (plant.points.feed_supply_index[rows] >= 0) & ~is_root
    other = first_where_extreme(run, np.where(another, 0.0, np.nan), count, largest=True)
    return [
        runs.figures(
            "no_feed", bands=speakers, limit=0.0, detail=lookup(point_id, first), keep=speakers[HIGH] > 0
        ),
        runs.figures(
            "supplies_paralleled",
            bands=met,
            limit=1.0,
            detail=lookup(point_id, other),
            keep=network.paralleled,
        ),
    ]


def _has_supply(plant: Plant, network: DcNetwork) -> BoolArray:
    """(k,) some supply is recorded of the run, at its block or at a point."""
    wiring = network.wiring
    at_block: BoolArray = plant.runs.supply_index[wiring.run_row] >= 0
    return at_block | any_of(wiring.run, network.feeds > 0, len(wiring.run_row))
