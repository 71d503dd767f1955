"""Which change pushed a figure past its limit: every step looked at, one after the other.

The standing step of an estimate is the first of the unbroken past steps up to the asked one; X, L and Z are
those of the high, likely and low estimate. One change is named (L) if X = L and (Z = L or low is not past);
else the crossing lies between X and Z (L for a missing Z). Whatever came no later than the baseline is "as
found". Of the corrections of the record, undone and made again one after the other, the last one
that turned an estimate past at the step that is named made the crossing; another one is a note.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from dataclasses import dataclass

from sites.changes.steps import day_of, first_step_after

from .computing import Computed
from .feeding import Touched, adds_load, touched_at
from .figures import Figure
from .record import ChangeSetSaid, read_record
from .undoing import records_before
from .values import Bands


@dataclass(frozen=True)
class Named:
    """One end of a crossing. kind: in words. change_set: of the step; correction: the one that made the
    crossing; note: the one that last wrote its rows without doing that. nearness: 0 its own rows changed, 1
    those beside it, and so on."""

    kind: str
    day: dt.date
    change_set: int | None
    correction: int | None
    note: int | None
    before: float | None
    after: float | None
    limit: float | None
    nearness: int

    @property
    def ids(self) -> list[int]:
        return [each for each in (self.correction, self.change_set, self.note) if each is not None]


@dataclass(frozen=True)
class Attributed:
    """What pushed one figure past. since, until: None where one change is named. case: the key of its case.
    on_a_knife_edge: some step was past, or was not, by the last bits of a sum; or was as right otherwise."""

    named: Named
    since: Named | None
    until: Named | None
    baseline_day: dt.date
    baseline_figure: float | None
    case: str
    on_a_knife_edge: bool

    @property
    def change_sets(self) -> list[int]:
        ends = [end for end in (self.named, self.since, self.until) if end is not None]
        return list(dict.fromkeys(id_ for end in ends for id_ in end.ids))


class Attributor:
    """Names the changes of a record up to a step."""

    def __init__(self, computed: Computed, asked_step: int) -> None:
        self.computed, self.record = computed, computed.record
        self.asked_step = asked_step
        self.steps = [step for step in self.record.steps() if step <= asked_step]
        self._harshest = {step: _harshest(computed, step) for step in self.steps}
        self._before: list[tuple[int, Computed]] | None = None
        self._edges: set[tuple[str, int, str]] = set()

    def attribute(self, key: tuple[str, int, str]) -> Attributed | None:
        """None where no step shows it past."""
        series = [self._harshest[step].get(key) for step in self.steps]
        standing = [self._standing(series, band) for band in range(3)]
        low, likely, high = standing
        chosen = next((place for place in (likely, high, low) if place is not None), None)
        if chosen is None:
            return None
        baseline = self.baseline()
        since = until = None
        if likely is not None:
            one = self._same(high, likely, baseline) and (low is None or self._same(low, likely, baseline))
            if not one:
                since = self._name(key, series, *((likely, 1) if high is None else (high, 2)), baseline)
                until = self._name(key, series, *((likely, 1) if low is None else (low, 0)), baseline)
        band = 1 if likely is not None else 2 if high is not None else 0
        named = self._name(key, series, chosen, band, baseline)
        found = [figure for step, figure in zip(self.steps, series, strict=True) if step <= baseline]
        return Attributed(
            named,
            since,
            until,
            baseline_day=day_of(baseline),
            baseline_figure=_shown(found[-1]) if found else None,
            case=self._case(named),
            on_a_knife_edge=key in self._edges
            or any(figure is not None and (figure.on_a_knife_edge() or figure.ties) for figure in series),
        )

    def _standing(self, series: list[Figure | None], band: int) -> int | None:
        first = None
        for place in reversed(range(len(series))):
            figure = series[place]
            if figure is None or not figure.past[band]:
                break
            first = place
        return first

    def _same(self, one: int | None, other: int | None, baseline: int) -> bool:
        if one is None or other is None:
            return one == other
        return one == other or max(self.steps[one], self.steps[other]) <= baseline

    def baseline(self) -> int:
        """The last step that counts as found: of the survey day of a site taken over, else of its
        commissioned day, else of the first day of which anything is recorded."""
        day = self.record.surveyed_on or self.record.commissioned_on or day_of(self.record.steps()[0])
        return first_step_after(day) - 1

    def _name(
        self, key: tuple[str, int, str], series: list[Figure | None], place: int, band: int, baseline: int
    ) -> Named:
        step = self.steps[place]
        figure = series[place]
        assert figure is not None
        nearness, touched = touched_at(self.record, key, step)
        original, last = self._authors(touched, step)
        correction = self._turned(key, band, max(step, min(baseline, self.asked_step)))
        note = last.id if last is not None and last.kind in ("correction", "catalogue") else None
        before = _shown(series[place - 1]) if place > 0 else None
        if step <= baseline:
            last_found = max(k for k, each in enumerate(self.steps) if each <= baseline)
            after, before, kind = series[last_found], None, "as found"
        else:
            after = figure
            if correction is not None:
                kind = "record correction"
            elif original is None and not touched:
                kind = "unknown"
            else:
                kind = "addition" if adds_load(touched, step) else "alteration"
        return Named(
            kind=kind,
            day=day_of(max(baseline, step)),
            change_set=original.id if original is not None else None,
            correction=correction,
            note=None if note in (correction, original and original.id) else note,
            before=before,
            after=_shown(after),
            limit=_limit_shown(after),
            nearness=nearness,
        )

    def _turned(self, key: tuple[str, int, str], band: int, step: int) -> int | None:
        """The last correction, in the order of recording, that turned an estimate past at a step."""
        if self._before is None:
            site = self.record.site
            self._before = [
                (id_, Computed(read_record(site, tables))) for id_, tables in records_before(site)
            ]
        is_past = True  # with all of them
        for id_, without in self._before:
            figure = _harshest(without, step).get(key)
            if figure is not None and (figure.on_a_knife_edge() or figure.ties):
                self._edges.add(key)
            was_past = figure is not None and figure.past[band]
            if is_past and not was_past:
                return id_
            is_past = was_past
        return None

    def _authors(
        self, touched: list[Touched], step: int
    ) -> tuple[ChangeSetSaid | None, ChangeSetSaid | None]:
        """The change set of the step, and the one that last wrote the rows that begin or end there."""
        original = next((each for each in self.record.change_sets.values() if each.step == step), None)
        wrote = [self.record.change_sets[id_] for id_ in _writers(touched, step)]

        def when(each: ChangeSetSaid) -> tuple[dt.datetime, int]:
            return each.recorded_at, each.id

        if original is None and wrote:
            original = min(wrote, key=when)
        return original, max([*wrote, *([original] if original else [])], key=when, default=None)

    def _case(self, named: Named) -> str:
        site = f"site-{self.record.site}"
        cause = named.correction or named.change_set
        if named.kind == "as found":
            return f"{site}/as-found"
        if cause is None:
            return f"{site}/unnamed-{named.day.isoformat()}"
        return f"{site}/change-set-{cause}"


def _writers(touched: list[Touched], step: int) -> set[int]:
    """The writers of rows that begin there, and of rows that end there without a successor."""
    begun = {each.thing for each in touched if each.row.begin == step}
    return {
        each.row.writer
        for each in touched
        if each.row.begin == step or each.thing is None or each.thing not in begun
    }


def _harshest(computed: Computed, step: int) -> dict[tuple[str, int, str], Figure]:
    """By key the figure of a step, what cannot be computed as 1 where 0 is allowed."""
    out: dict[tuple[str, int, str], Figure] = {}
    for figure in computed.figures(step):
        known = out.get(figure.key)
        if known is None or _beyond(figure) >= _beyond(known):
            out[figure.key] = figure
    problems = computed.problems(step)
    for run in computed.record.runs:
        if run.holds(step):
            amiss = float(("run", run.thing) in problems)
            one = Figure(("run", run.thing), "cannot_compute", Bands(amiss, amiss, amiss), 0.0)
            out[one.key] = one
    return out


def _beyond(figure: Figure) -> float:
    from .figures import RULES

    sign = -1 if RULES[figure.code].at_least else 1
    if figure.overloaded[1]:
        return math.inf
    beyond = sign * (figure.bands.likely - figure.limits.likely)
    return -math.inf if math.isnan(beyond) else beyond


def _shown(figure: Figure | None) -> float | None:
    """The likely estimate, or what is known instead; nothing where that has no solution."""
    return None if figure is None else next((figure.bands[k] for k in _telling(figure)), None)


def _limit_shown(figure: Figure | None) -> float | None:
    if figure is None:
        return None
    limit = next((figure.limits[k] for k in _telling(figure, overloaded=True)), figure.limits.likely)
    return None if math.isnan(limit) else limit


def _telling(figure: Figure, *, overloaded: bool = False) -> Iterator[int]:
    """Estimates by which a figure is told, the first first: likely, high, low. overloaded: those without a
    solution too."""
    for k in (1, 2, 0):
        if figure.overloaded[k]:
            if overloaded:
                yield k
            return
        if not math.isnan(figure.bands[k]):
            yield k
