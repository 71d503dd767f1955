"""The figures of a site that cannot be judged, and the values that are missing, in words.

It is the list for the next visit.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from sites.changes.steps import first_step_after
from sites.selectors import equipment_before
from sites.wording import counted, listed, lower_first, plural
from zones.electrical.network_power import PD_POWER_W
from zones.electrical.subjects import Subject
from zones.electrical.verdicts import Verdict
from zones.loads.site_loads import Loads, loads_on
from zones.loads.wording import NotComputed, RenderedLoad, not_computed, render_loads
from zones.subjects import Names

from .measuring import Measuring, ToMeasure, what_to_measure
from .unknowns import SiteFacts, unknown_of
from .zone_questions import zone_questions


@dataclass(frozen=True)
class Question:
    """A figure that cannot be judged. missing: what it depends on and is not recorded, or only guessed;
    sentence: all of it in words."""

    figure: RenderedLoad
    missing: tuple[str, ...]
    sentence: str


@dataclass(frozen=True)
class Survey:
    """measuring: the readings that settle most. to_check: recorded values that contradict each other, each in
    a sentence. to_ask: what people at the site know and the record does not, each a question."""

    as_of: dt.date
    questions: tuple[Question, ...]
    measuring: Measuring
    problems: tuple[NotComputed, ...]
    to_check: tuple[str, ...]
    to_ask: tuple[str, ...]
    summary: str


def site_survey(site_id: int, as_of: dt.date) -> Survey:
    """The open questions of a site on a day. As many queries for a large site as for a small one."""
    loads = loads_on(site_id, as_of)
    before = first_step_after(as_of)
    figures, facts = _open_figures(loads, before)
    questions = _questions(figures, facts)
    measuring = what_to_measure(loads, figures, facts, before)
    problems = not_computed(loads.problems)
    to_check = tuple(_negotiated_above_class(site_id, before))
    to_ask = tuple(zone_questions(site_id, before))
    return Survey(
        as_of,
        questions,
        measuring,
        problems,
        to_check,
        to_ask,
        _summary(questions, measuring.to_measure, problems, to_check, to_ask),
    )


def questions_of(
    loads: Loads, subjects: Collection[Subject] | None = None, names: Names | None = None
) -> tuple[Question, ...]:
    """Questions about a whole site, or about some subjects. names: the names of subjects and places, where
    they are read already."""
    return _questions(*_open_figures(loads, first_step_after(loads.as_of), subjects, names))


def _open_figures(
    loads: Loads,
    before: int,
    subjects: Collection[Subject] | None = None,
    names: Names | None = None,
) -> tuple[tuple[RenderedLoad, ...], SiteFacts | None]:
    """The figures that cannot be judged, and what is recorded of all that they depend on; None without
    any."""
    chosen = loads.loads if subjects is None else loads.of(subjects)
    open_ones = [load for load in chosen if load.verdict is Verdict.CANNOT_TELL]
    if not open_ones:
        return (), None
    asked = [(one.code, one.subject) for one in open_ones]
    facts = SiteFacts(loads.site_id, before, asked, loads.jurisdiction)
    return render_loads(open_ones, loads.length_unit, names), facts


def _questions(figures: Sequence[RenderedLoad], facts: SiteFacts | None) -> tuple[Question, ...]:
    if facts is None:
        return ()
    return tuple(_question(one, unknown_of(facts, one.load.code, one.load.subject)) for one in figures)


def _question(figure: RenderedLoad, missing: tuple[str, ...]) -> Question:
    subject = f"{lower_first(figure.limit.title)} of {figure.subject}"
    why = (
        f"Not recorded, or only estimated: {'; '.join(missing)}."
        if missing
        else "Everything it depends on is recorded, yet the estimates are on both sides of the limit: only a "
        "measurement can settle it."
    )
    return Question(figure, missing, f"Cannot tell: {subject}. {figure.sentence} {why}")


def _negotiated_above_class(site_id: int, before: int) -> Iterator[str]:
    """Endpoints with more power by LLDP than their class may draw: one of the two is wrong."""
    for endpoint, row in equipment_before(before, site_ids=[site_id]).endpoints:
        if row is None or row.negotiated_power_w is None:
            continue
        of_model = row.model.poe_class if row.model is not None else None
        poe_class = of_model if row.negotiated_class is None else row.negotiated_class
        most = float(np.max(PD_POWER_W) if poe_class is None else PD_POWER_W[poe_class])
        if row.negotiated_power_w > most:
            yield (
                f"Endpoint {endpoint.name}: {row.negotiated_power_w:g} W by LLDP, {most:g} W by class. "
                f"Counted with {most:g} W. Check its class and its power."
            )


def _summary(
    questions: Sequence[Question],
    to_measure: Sequence[ToMeasure],
    problems: Iterable[NotComputed],
    to_check: Sequence[str],
    to_ask: Sequence[str],
) -> str:
    names = list(dict.fromkeys(one.figure.subject for one in questions))
    broken = list(dict.fromkeys(one.name for one in problems))
    said = []
    if broken:
        said.append(f"{counted(len(broken), 'thing')} cannot be computed: {listed(broken, 5)}.")
    if questions:
        said.append(
            f"{counted(len(questions), 'figure')} cannot be judged, of {listed(names, 5)}: the estimates are "
            "on both sides of a limit, or a rating is missing."
        )
    if settled := {figure for one in to_measure for figure in one.settles}:
        said.append(
            f"{counted(len(to_measure), 'reading')} in walking order "
            f"{plural(len(to_measure), 'settles', 'settle')} {len(settled)} of them, if what they read is "
            "likely."
        )
    if to_check:
        said.append(f"{counted(len(to_check), 'recorded value')} to check: another contradicts it.")
    if to_ask:
        said.append(f"{counted(len(to_ask), 'question')} for people at the site.")
    return " ".join(said) or "Nothing is open: the record is enough to judge every figure."
