"""What other instruments should read on a run as it is recorded: resistance, impedance and level.

Currents and voltages are compared in ``calibration``, which scales values by them. These scale nothing.

* **Loop resistance** of one pair with its far end shorted at a point [Ω]: the sum of 2 · R′ · length over the
  path to that point. Branches beside the path are open, and devices draw nothing from an ohmmeter. So it is
  known for the audio pair of a self-amplified run only: to a DC meter the transformers of a constant-voltage
  line and the coils of a low-impedance one are a short. (Ohm's law; ASTM B258 and IEC 60028 for R′.)
* **Line impedance** at 1 kHz, from the block with the amplifier disconnected [Ω]: what the taps, Z = V² / P
  each, or the speakers' nominal impedances come to in parallel behind the resistance of the cable. Taps count
  as resistances, and the cable's inductance as nothing: 1 kHz is the frequency at which speakers and
  transformers are rated. (Audio handbooks, from memory.)
* **Level** at an input, relative to the unloaded output [dB]: as the audio level of the limits, at the point
  where it was read.

Least and most are the corners of all values together: each of the three grows or falls with every length, and
with every load. Insulation resistance has no expected value: it passes at ``INSULATION_PASSES_OHM`` or more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from .audio_lines import audio_network, level_db, line_conductance_s
from .bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from .figures import Subjects, any_of, lookup, lookup_each, sums
from .forest import Forest
from .plant import Members, Plant, ReadingKind, ReadingRows, RunKind
from .point_loads import PointLoads
from .radial import solve
from .reading_bench import warmth
from .resistive import voltages_in_own_corners
from .subjects import SubjectKind
from .wiring import Wiring, ancestor_closure, renumber, rows_of, wire

INSULATION_PASSES_OHM: Final = 1e6
"""Least insulation resistance of a run whose electronics are disconnected; common practice, no source."""


def expected_loop_ohm(plant: Plant, loads: PointLoads, readings: ReadingRows) -> FloatArray:
    """(3, r) least, likely and most loop resistance of one pair that is shorted at the point of each reading
    [Ω]; NaN where the run does not lead there on that day, or is not self-amplified.

    readings: r rows; the temperature of each is that of the cable, NaN not noted.
    """
    runs = _Runs.of(plant, readings)
    node = np.flatnonzero(ancestor_closure(runs.parent, runs.target))
    row, tree = runs.row[node], runs.tree[node]
    ohm = loads.pair_resistance_ohm[:, row] * warmth(plant, row, readings.temperature_c[tree])
    there = (runs.target >= 0) & (runs.kind == RunKind.SELF_AMPLIFIED)
    return np.where(there, sums(tree, ohm, len(readings)), np.nan)


def expected_line_ohm(plant: Plant, loads: PointLoads, readings: ReadingRows) -> FloatArray:
    """(3, r) least, likely and most impedance of the line of each reading at its block [Ω]; NaN where that is
    no line on that day, nothing is on it, or the impedance of something on it is not recorded.

    readings: r rows; the temperature of each is that of the cable, NaN not noted.
    """
    runs = _Runs.of(plant, readings)
    of_run = runs.wiring.runs
    amplifier = plant.runs.amplifier_index[runs.wiring.run_row]
    amplifiers = Subjects(SubjectKind.AMPLIFIER, of_run.member, amplifier, of_run.group)
    volts = lookup(plant.amplifiers.line_voltage_v, rows_of(plant, runs.members, amplifiers))
    conductance = line_conductance_s(runs.wiring, loads, volts)[:, runs.node]
    warm = warmth(plant, runs.row, readings.temperature_c[runs.tree])
    ohm = loads.loop_resistance_ohm[:, runs.row] * warm
    count = len(readings)
    unknown = any_of(runs.tree, np.isnan(conductance[LIKELY]), count)
    known = np.nan_to_num(conductance)
    # the least impedance: short cables and high loads
    solved = solve(
        Forest.build(runs.parent, runs.tree, count).times(3),
        source_voltage_v=1.0,
        source_resistance_ohm=0.0,
        segment_resistance_ohm=ohm.ravel(),
        current_a=0.0,
        power_w=0.0,
        conductance_s=known[[HIGH, LIKELY, LOW]].ravel(),
    )
    drawn = solved.source_current_a.reshape(3, count)
    is_line = (runs.kind == RunKind.CONSTANT_VOLTAGE) | (runs.kind == RunKind.LOW_IMPEDANCE)
    known_line = is_line & ~unknown & (sums(runs.tree, known[LOW], count) > 0)
    with np.errstate(divide="ignore"):
        return np.where(known_line, 1.0 / drawn, np.nan)


def expected_level_db(plant: Plant, loads: PointLoads, readings: ReadingRows) -> FloatArray:
    """(3, r) least, likely and most level at the point of each reading, relative to the unloaded output [dB];
    NaN where no output drives it on that day, or an impedance on that output is not recorded.

    readings: r rows. The cable is at its design temperature, as for the limit.
    """
    members = Members.of_groups(plant, readings.group, readings.begin)
    network = audio_network(plant, members, wire(plant, members), loads)
    row, tree, count = network.row, network.tree, len(network.subjects.member)
    reading = network.subjects.member[tree]
    unknown = network.loaded & np.isnan(network.conductance_s[LIKELY])
    voltage = voltages_in_own_corners(
        Forest.build(network.parent, tree, count),
        source_ohm=network.source_ohm,
        segment_ohm=network.segment_ohm,
        conductance_s=np.nan_to_num(network.conductance_s),
        share_place=network.share_place,
    )
    target = _targets(plant, row, reading, readings)
    known = np.where(any_of(tree, unknown, count)[tree], np.nan, voltage[[HIGH, LIKELY, LOW]])
    return level_db(lookup_each(known, np.tile(target, (3, 1))), 1.0)


EXPECTED: Final = {
    ReadingKind.LOOP_RESISTANCE: expected_loop_ohm,
    ReadingKind.LINE_IMPEDANCE: expected_line_ohm,
    ReadingKind.LEVEL: expected_level_db,
}


@dataclass(frozen=True)
class _Runs:
    """The run of each of r readings, as of its day; n nodes.

    wiring: of everything that bears on the runs; node: (n,) the number of each node there. row, tree, parent:
    (n,) point row, reading and parent of each. target: (r,) node of the reading's point, −1 none. kind: (r,)
    of ``RunKind``, −1 where the run is not in service.
    """

    members: Members
    wiring: Wiring
    node: IntArray
    row: IntArray
    tree: IntArray
    parent: IntArray
    target: IntArray
    kind: IntArray

    @classmethod
    def of(cls, plant: Plant, readings: ReadingRows) -> _Runs:
        members = Members.of_groups(plant, readings.group, readings.begin)
        wiring = wire(plant, members)
        node = np.flatnonzero(plant.points.run_index[wiring.row] == readings.run_index[wiring.member])
        row, tree = wiring.row[node], wiring.member[node]
        in_service = wiring.runs.index == readings.run_index[wiring.runs.member]
        kind = np.full(len(readings), -1)
        kind[wiring.runs.member[in_service]] = wiring.run_kind[in_service]
        return cls(
            members=members,
            wiring=wiring,
            node=node,
            row=row,
            tree=tree,
            parent=renumber(node, len(wiring.row))[wiring.parent[node]],
            target=_targets(plant, row, tree, readings),
            kind=kind,
        )


def _targets(plant: Plant, row: IntArray, reading: IntArray, readings: ReadingRows) -> IntArray:
    """(r,) the node of each reading's point, −1 none. row, reading: (n,) of each node."""
    target = np.full(len(readings), -1)
    there = np.flatnonzero(plant.points.point_index[row] == readings.point_index[reading])
    target[reading[there]] = there
    return target
