"""Sections of a run that no supply feeds, and sections that several feed."""

from __future__ import annotations

from collections.abc import Callable

from .figures import Figure
from .record import Row
from .standing import DcRun
from .values import Bands, PointValues


def feeds(run: DcRun, values_of: Callable[[Row], PointValues]) -> list[Figure]:
    """Figures no_feed and supplies_paralleled of a run, where it has such a section."""
    figures = []
    subject = ("run", run.run.id)
    counts = [(point.id, values_of(point.row).count) for point in run.cut_off]
    speakers = Bands(*(sum(count[band] for _, count in counts) for band in range(3)))
    if not run.has_supply:
        speakers = Bands(0.0, 0.0, speakers.high)
    if speakers.high > 0:
        first = next(id_ for id_, count in counts if count.high > 0)
        figures.append(Figure(subject, "no_feed", speakers, 0.0, frozenset({first})))
    if run.met:
        met = float(run.met)
        other = frozenset({run.others[0].id})
        figures.append(Figure(subject, "supplies_paralleled", Bands(met, met, met), 1.0, other))
    return figures
