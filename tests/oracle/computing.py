"""Every figure of a site as of a step."""

from __future__ import annotations

from collections import Counter

from .anchoring import Anchored, disagreements
from .direct_current import direct_current
from .figures import Figure, Subject
from .network_power import network_power
from .record import Record
from .sound import audio, lines
from .standing import Standing
from .terminations import terminations

ORPHANED = "parent_missing"


class Computed:
    """The figures of a record, step by step; each step once."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self.anchored = Anchored(record)
        self._figures: dict[int, list[Figure]] = {}
        self._problems: dict[int, dict[Subject, set[str]]] = {}
        self.seen: Counter[str] = Counter(self.anchored.seen)
        """What out of the ordinary there was to compute."""

    def figures(self, step: int) -> list[Figure]:
        """Several of a key where several things are judged by it: two endpoints on one port."""
        if step not in self._figures:
            self._compute(step)
        return self._figures[step]

    def problems(self, step: int) -> dict[Subject, set[str]]:
        """What cannot be computed, and why."""
        if step not in self._problems:
            self._compute(step)
        return self._problems[step]

    def worst(self, step: int) -> dict[tuple[str, int, str], Figure]:
        """One figure a key: that with the worst verdict."""
        out: dict[tuple[str, int, str], Figure] = {}
        for figure in self.figures(step):
            known = out.get(figure.key)
            if known is None or figure.verdict > known.verdict:
                out[figure.key] = figure
        return out

    def _compute(self, step: int) -> None:
        standing = Standing(self.record, step)
        values, of = self.anchored.values, self.anchored.of
        figures, seen = direct_current(standing, values, of)
        problems: dict[Subject, set[str]] = {}
        self.seen.update(seen)
        figures += audio(standing, values, of) + lines(standing, values, of)
        figures += network_power(standing, values) + terminations(standing)
        figures += disagreements(standing, self.anchored)
        for run in standing.runs.values():
            if run.orphaned:
                problems.setdefault(("run", run.id), set()).add(ORPHANED)
        self._figures[step], self._problems[step] = figures, problems
