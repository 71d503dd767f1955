"""Networks of resistive loads: audio of self-amplified runs, and constant-voltage and low-impedance lines.

A shunting load can hide a long segment, so no corner of all values is the harshest for every point. The
judged point is the lowest in the likely solution. The high estimate takes long segments on its path, short
ones elsewhere and high loads; the low estimate takes the reverse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from .figures import lookup
from .forest import Forest
from .plant import BoolArray
from .radial import solve
from .wiring import ancestor_closure, first_where_extreme


@dataclass(frozen=True)
class Judged:
    """node: (t,) judged node of each tree, −1 where it has no device; voltage: (3, t) its voltage as a
    fraction of the source's unloaded voltage, NaN without a judged node."""

    node: IntArray
    voltage: FloatArray


def judge_lowest(
    parent: IntArray,
    tree: IntArray,
    tree_count: int,
    *,
    source_resistance_ohm: FloatArray,
    segment_ohm: FloatArray,
    conductance_s: FloatArray,
    loaded: BoolArray,
) -> Judged:
    """The lowest loaded point of each of t trees, solved at 1 V.

    parent, tree: (n,), parent −1 at the source; tree_count: t; source_resistance_ohm: (t,); segment_ohm,
    conductance_s: (3, n); loaded: (n,) True where a device is.
    """
    forest = Forest.build(parent, tree, tree_count)

    def voltages(of: Forest, repeat: int, ohm: FloatArray, siemens: FloatArray) -> FloatArray:
        nothing = np.zeros(ohm.size)
        return solve(
            of,
            source_voltage_v=np.ones(tree_count * repeat),
            source_resistance_ohm=np.tile(source_resistance_ohm, repeat),
            segment_resistance_ohm=ohm.ravel(),
            current_a=nothing,
            power_w=nothing,
            conductance_s=siemens.ravel(),
        ).voltage_v.reshape(ohm.shape)

    likely = voltages(forest, 1, segment_ohm[LIKELY], conductance_s[LIKELY])
    node = first_where_extreme(tree, np.where(loaded, likely, np.nan), tree_count, largest=False)
    on_path = ancestor_closure(parent, node)
    corner_ohm = np.stack(
        [
            np.where(on_path, segment_ohm[LOW], segment_ohm[HIGH]),
            np.where(on_path, segment_ohm[HIGH], segment_ohm[LOW]),
        ]
    )
    corner_load = np.stack([conductance_s[LOW], conductance_s[HIGH]])
    low, high = voltages(forest.times(2), 2, corner_ohm, corner_load)
    return Judged(node, np.stack([lookup(voltage, node) for voltage in (low, likely, high)]))
