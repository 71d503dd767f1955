"""Every figure of a site as of a step, recomputed from its record."""

from __future__ import annotations

from dataclasses import dataclass, field

from .audio_lines import audio_line_figures
from .direct_current import dc_figures, feeding
from .figures import RUN, Figure, Key
from .network_power import network_power_figures
from .readings import Compared, Loads, reading_figures, take_into_account
from .record import Record, read_record
from .terminations import termination_figures
from .wiring import loads_of, runs_at


@dataclass
class Oracle:
    """A site's record, and what it makes of it as of any step."""

    record: Record
    loads: Loads
    compared: list[Compared]
    _known: dict[int, dict[Key, Figure]] = field(default_factory=dict)

    @classmethod
    def of(cls, site_id: int) -> Oracle:
        record = read_record(site_id)
        loads, compared = take_into_account(record, loads_of(record))
        return cls(record, loads, compared)

    def at(self, step: int) -> dict[Key, Figure]:
        """Figures by limit and subject. What cannot be computed is one that is 1 and must not exceed 0."""
        if step not in self._known:
            self._known[step] = self._evaluate(step)
        return self._known[step]

    def _evaluate(self, step: int) -> dict[Key, Figure]:
        runs = runs_at(self.record, step, self.loads)
        figures = dc_figures(self.record, step, runs)
        figures |= audio_line_figures(self.record, step, runs)
        figures |= network_power_figures(self.record, step)
        figures |= termination_figures(self.record, step, runs)
        figures |= reading_figures(self.compared, step, runs)
        paralleled = feeding(runs).paralleled
        for run in runs:
            if run.id in paralleled or any(p.lost for p in run.points):
                figures["cannot_compute", RUN, run.id] = Figure((1.0, 1.0, 1.0), 0.0)
        return figures
