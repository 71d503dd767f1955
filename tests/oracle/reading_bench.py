"""The part of a run that a reading was taken on: alone, behind the voltage at its block."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from .networks import Node, Solved, Undecided, solve_dc
from .record import ReadingRow, Row
from .standing import DcRun, Fed
from .values import Bands, PointValues

LOW, LIKELY, HIGH = range(3)
DRAWN = {"idle": ("idle_a", "idle_w"), "paging": ("speech_a", "speech_w"), "tone": ("full_a", "full_w")}
ValuesOf = Callable[[Row], PointValues]


@dataclass
class Bench:
    """The part of a run that its block feeds, alone, behind the voltage at the block. block_v: by band, NaN
    not known. site_c: its design temperature."""

    reading: ReadingRow
    fed: list[Fed]
    block_v: Bands
    site_c: float
    nominal_v: float

    def place_of(self, point: int | None) -> int | None:
        return next((k for k, each in enumerate(self.fed) if each.point.id == point), None)

    def error(self) -> float:
        """What it may be off by."""
        value = float(self.reading.value)
        if self.reading.instrument_error is not None:
            return value * self.reading.instrument_error
        if self.reading.kind == "end_voltage":
            return value * 0.01
        return value * (0.1 if self.reading.state == "paging" else 0.05)

    def drawn(self, values: PointValues) -> tuple[Bands, Bands]:
        amps, watts = DRAWN[self.reading.state]
        return getattr(values, amps), getattr(values, watts)

    def warmth(self, row: Row, band: int) -> float:
        """Resistance of a segment at the reading over that of the record."""
        return warmth(self.reading, self.site_c, row, band)

    def settles(self, values: PointValues) -> bool:
        """Whether a reading in this state settles the current."""
        by_state = {
            "idle": values.scaled_idle,
            "paging": values.scaled_speech,
            "tone": values.scaled_full,
        }
        return by_state[self.reading.state]

    def solve(self, band: int, values_of: ValuesOf) -> tuple[list[Node], Solved | None]:
        nodes = nodes_at(self.fed, band, values_of, self.drawn, self.warmth)
        known = self.block_v[band]
        return nodes, solve_dc(nodes, self.nominal_v if math.isnan(known) else known, 0.0)

    def attempt(self, values_of: ValuesOf) -> tuple[list[Node], Solved | None]:
        """The likely estimate, where there plainly is one."""
        try:
            return self.solve(LIKELY, values_of)
        except Undecided:
            return [], None

    def currents(self, band: int, values_of: ValuesOf) -> list[float]:
        """Current of every load; where there is no solution, no voltage bounds those in watts."""
        nodes, solved = self.solve(band, values_of)
        if solved is not None:
            return solved.load_a
        return [math.inf if node.watts > 0 else node.amps for node in nodes]

    def volts(self, band: int, values_of: ValuesOf, at: int) -> float:
        _, solved = self.solve(band, values_of)
        return 0.0 if solved is None else solved.volts[at]


def warmth(reading: ReadingRow, site_c: float, row: Row, band: int) -> float:
    """Resistance of a segment at a reading over that of the record: at the temperature noted with it, else
    from 20 °C to the design temperature."""
    own = row["design_temperature_c"]
    design = site_c if own is None else own
    at = [min(20.0, design), (20.0 + design) / 2, max(20.0, design)][band]
    if reading.temperature_c is not None:
        at = reading.temperature_c
    recorded = max(design, 20.0) if own is None and band == HIGH else design
    return float((1 + 0.00393 * (at - 20)) / (1 + 0.00393 * (recorded - 20)))


def nodes_at(
    fed: list[Fed],
    band: int,
    values_of: ValuesOf,
    drawn: Callable[[PointValues], tuple[Bands, Bands]],
    warmth: Callable[[Row, int], float],
) -> list[Node]:
    place = {each.point.id: k for k, each in enumerate(fed)}
    nodes = []
    for each in fed:
        amps, watts = drawn(values_of(each.point.row))
        above = None if each.above is None else place[each.above.point.id]
        ohm = 0.0
        if each.segment is not None:
            row = each.segment.row
            ohm = values_of(row).loop_ohm(band, turned=each.segment is not each.point) * warmth(row, band)
        nodes.append(Node(above, ohm, amps[band], watts[band]))
    return nodes


def at_block(run: DcRun) -> list[Fed]:
    """The points that are fed by the block's supply, in the order of the run."""

    def top(fed: Fed) -> Fed:
        while fed.above is not None:
            fed = fed.above
        return fed

    fed = [run.fed[point.id] for point in run.run.points if point.id in run.fed]
    return [each for each in fed if top(each).at_block]
