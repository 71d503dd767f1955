"""What is not known that a figure hangs on, in words: values that nobody recorded, or that someone guessed.

`_HANGS_ON` says by limit what its figure is made of. A rating or a length that is missing leaves the figure
open; one that is guessed, or read off a drawing, makes its band wide.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

from sites.models import (
    Amplifier,
    AmplifierFacts,
    Basis,
    DeviceModel,
    Endpoint,
    EndpointFacts,
    Output,
    Supply,
    SupplyFacts,
    Switch,
    SwitchFacts,
    SwitchPort,
)
from sites.selectors import things_with_facts
from sites.wording import counted, listed
from zones.electrical.subjects import Subject, SubjectKind
from zones.models import PointFacts, Run, RunFacts
from zones.selectors import points_before, runs_before

_NAMED_AT_MOST: Final = 3
_SPEAKER, _SEGMENT = "speaker", "segment"
_UNSURE: Final = {Basis.GUESSED: "only guessed", Basis.DRAWING: "only from a drawing"}


class SiteFacts:
    """What is recorded of a site on a day, read once: thirteen queries, whatever the size of the site."""

    def __init__(self, site_id: int, before: int) -> None:
        def held(things: Any, facts: Any) -> dict[int, tuple[Any, Any]]:
            return {
                thing.pk: (thing, row)
                for thing, row in things_with_facts(things, facts, before, site_ids=[site_id])
            }

        self.runs: dict[int, tuple[Run, RunFacts]] = {
            run.pk: (run, row) for run, row in runs_before(before, site_ids=[site_id])
        }
        self.points: dict[int, list[PointFacts]] = defaultdict(list)
        for point in points_before(before, run_ids=self.runs):
            self.points[point.run_id].append(point)
        self.supplies: dict[int, tuple[Supply, SupplyFacts | None]] = held(Supply, SupplyFacts)
        self.amplifiers: dict[int, tuple[Amplifier, AmplifierFacts | None]] = held(Amplifier, AmplifierFacts)
        self.switches: dict[int, tuple[Switch, SwitchFacts | None]] = held(Switch, SwitchFacts)
        self.endpoints: dict[int, tuple[Endpoint, EndpointFacts | None]] = held(Endpoint, EndpointFacts)
        self.endpoint_of_output: dict[int, int] = dict(
            Output.objects.filter(site_id=site_id).values_list("pk", "endpoint_id")
        )
        self.switch_of_port: dict[int, int] = dict(_ports_of(site_id))

    @cached_property
    def runs_of(self) -> Mapping[Subject, list[int]]:
        """By run, supply, output and amplifier, the runs that its figures are made of."""
        found: dict[Subject, list[int]] = defaultdict(list)
        for run_id, (_, facts) in self.runs.items():
            mid_run = {point.feed_supply_id for point in self.points[run_id]} - {None}
            carriers = {
                (SubjectKind.RUN, run_id),
                (SubjectKind.OUTPUT, facts.output_id),
                (SubjectKind.AMPLIFIER, facts.amplifier_id),
                *((SubjectKind.SUPPLY, supply_id) for supply_id in mid_run | {facts.supply_id}),
            }
            for kind, thing_id in carriers:
                if thing_id is not None:
                    found[kind, thing_id].append(run_id)
        return found

    @cached_property
    def endpoints_on(self) -> Mapping[Subject, list[int]]:
        """By switch and port, the devices that it powers."""
        found: dict[Subject, list[int]] = defaultdict(list)
        for endpoint_id, (_, facts) in self.endpoints.items():
            if facts is not None and facts.port_id is not None:
                found[SubjectKind.PORT, facts.port_id].append(endpoint_id)
                if facts.port_id in self.switch_of_port:
                    found[SubjectKind.SWITCH, self.switch_of_port[facts.port_id]].append(endpoint_id)
        return found


def _ports_of(site_id: int) -> Iterable[tuple[int, int]]:
    return SwitchPort.objects.filter(site_id=site_id).values_list("pk", "switch_id")


def unknown_of(facts: SiteFacts, code: str, subject: Subject) -> tuple[str, ...]:
    """What is not known, or not well, that a figure of a subject hangs on: each a phrase such as ``the
    length of 3 segments of run R1 (to 4, 5 and 6)``."""
    found: dict[str, None] = {}
    for look in _HANGS_ON.get(code, ()):
        found |= dict.fromkeys(look(facts, subject))
    return tuple(found)


# --- of the devices and segments of runs --------------------------------------------------------------------

Look = Callable[[SiteFacts, Subject], Iterator[str]]


@dataclass(frozen=True)
class _OfPoints:
    """A value of the points of runs. `noun`: of what it is, the speaker at a point or the segment to it.
    `applies`: to which points. `missing`: where it is not recorded. `basis`: how it is known, where that is
    recorded with it."""

    value: str
    noun: str
    applies: Callable[[Run, PointFacts], bool]
    missing: Callable[[PointFacts], bool]
    basis: str = ""

    def __call__(self, facts: SiteFacts, subject: Subject) -> Iterator[str]:
        for run_id in facts.runs_of.get(subject, ()):
            run = facts.runs[run_id][0]
            points = [point for point in facts.points[run_id] if self.applies(run, point)]
            lacking = [point for point in points if self.missing(point)]
            yield from self._said(run, lacking, "")
            for basis, words in _UNSURE.items():
                if self.basis:
                    unsure = [p for p in points if not self.missing(p) and getattr(p, self.basis) == basis]
                    yield from self._said(run, unsure, f", {words}")

    def _said(self, run: Run, points: Sequence[PointFacts], how: str) -> Iterator[str]:
        if points:
            word = "point" if len(points) == 1 else "points"
            names = f"{word} {listed([point.point.name for point in points], _NAMED_AT_MOST)}"
            where = f"{'to ' if self.noun == _SEGMENT else ''}{names}"
            yield f"{self.value} of {counted(len(points), self.noun)} on run {run.name} ({where}){how}"


def _is_device(run: Run, point: PointFacts) -> bool:  # noqa: ARG001
    return point.kind != PointFacts.Kind.SPLICE


def _is_self_amplified(run: Run, point: PointFacts) -> bool:
    return run.kind == Run.Kind.SELF_AMPLIFIED and _is_device(run, point)


def _has_tap(run: Run, point: PointFacts) -> bool:
    return run.kind == Run.Kind.CONSTANT_VOLTAGE and _is_device(run, point)


def _always(run: Run, point: PointFacts) -> bool:  # noqa: ARG001
    return True


def _no_current(point: PointFacts) -> bool:
    if point.current_basis == Basis.UNKNOWN:
        return True
    return point.speech_current_a is None and _rating_missing(
        point.model, "speech_current_a", "full_output_current_a", "full_output_power_w"
    )


def _rating_missing(model: DeviceModel | None, *any_of: str) -> bool:
    """Whether none of some ratings is stated; of an unknown model, none is."""
    return model is None or all(getattr(model, name) is None for name in any_of)


_CURRENTS: Final = _OfPoints("the current", _SPEAKER, _is_self_amplified, _no_current, "current_basis")
_LENGTHS: Final = _OfPoints(
    "the length",
    _SEGMENT,
    _always,
    lambda point: point.length_m is None,
    "length_basis",
)
_CABLES: Final = _OfPoints(
    "the cable",
    _SEGMENT,
    _always,
    lambda point: point.cable_type is None or point.cable_type.gauge_awg is None,
)
_PAIRS: Final = _OfPoints(
    "the number of pairs",
    _SEGMENT,
    lambda run, _: run.kind == Run.Kind.SELF_AMPLIFIED,
    lambda point: point.dc_pairs is None,
)
_TAPS: Final = _OfPoints(
    "the tap",
    _SPEAKER,
    _has_tap,
    lambda point: point.tap_power_w is None,
    "tap_basis",
)
_LOWEST_VOLTAGES: Final = _OfPoints(
    "the lowest voltage",
    _SPEAKER,
    _is_self_amplified,
    lambda point: _rating_missing(point.model, "minimum_voltage_v"),
)
_INPUTS: Final = _OfPoints(
    "the input impedance",
    _SPEAKER,
    _is_self_amplified,
    lambda point: _rating_missing(point.model, "input_impedance_ohm"),
)


def _counts(facts: SiteFacts, subject: Subject) -> Iterator[str]:
    for run_id in facts.runs_of.get(subject, ()):
        for point in facts.points[run_id]:
            if point.kind == PointFacts.Kind.UNCOUNTED_GROUP:
                yield (
                    f"how many devices there are at point {point.point.name} of run "
                    f"{facts.runs[run_id][0].name} (about {point.count_likely}, {point.count_low} to "
                    f"{point.count_high})"
                )


def _fuse(facts: SiteFacts, subject: Subject) -> Iterator[str]:
    held = facts.runs.get(subject[1])
    if held is None:
        return
    run, row = held
    if row.fuse_fitted is None:
        yield f"whether run {run.name} has a fuse of its own"
    elif row.fuse_fitted and row.fuse_rating_a is None:
        yield f"the rating of the fuse of run {run.name}"


# --- of what feeds them -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _OfModel:
    """Ratings of a thing that the catalogue states: `ratings` by name, with how each is called. Only those
    of the subject's own kind; `through` leads from a subject to things of `things`."""

    things: str
    word: str
    ratings: Mapping[str, str]
    through: Callable[[SiteFacts, Subject], Iterable[int]]

    def __call__(self, facts: SiteFacts, subject: Subject) -> Iterator[str]:
        held = getattr(facts, self.things)
        for thing_id in self.through(facts, subject):
            if thing_id not in held:
                continue
            thing, row = held[thing_id]
            model = row.model if row is not None else None
            if model is None:
                yield f"which model {self.word} {thing.name} is"
                continue
            lacking = [words for name, words in self.ratings.items() if getattr(model, name) is None]
            if lacking:
                yield f"{listed(lacking)} of {model.name} ({self.word} {thing.name})"


def _itself(facts: SiteFacts, subject: Subject) -> Iterable[int]:  # noqa: ARG001
    return (subject[1],)


def _supplies_of(facts: SiteFacts, subject: Subject) -> Iterable[int]:
    for run_id in facts.runs_of.get(subject, ()):
        mid_run = {point.feed_supply_id for point in facts.points[run_id]}
        yield from sorted(pk for pk in mid_run | {facts.runs[run_id][1].supply_id} if pk is not None)


def _endpoint_of(facts: SiteFacts, subject: Subject) -> Iterable[int]:
    return (facts.endpoint_of_output[subject[1]],) if subject[1] in facts.endpoint_of_output else ()


def _endpoints_on(facts: SiteFacts, subject: Subject) -> Iterable[int]:
    return facts.endpoints_on.get(subject, ())


def _endpoint_lengths(facts: SiteFacts, subject: Subject) -> Iterator[str]:
    ids = (subject[1],) if subject[0] is SubjectKind.ENDPOINT else facts.endpoints_on.get(subject, ())
    for endpoint_id in ids:
        endpoint, row = facts.endpoints.get(endpoint_id, (None, None))
        if endpoint is None or row is None:
            continue
        if row.cable_length_m is None:
            yield f"the length of the cable to {endpoint.name}"
        elif row.cable_length_basis in _UNSURE:
            yield f"the length of the cable to {endpoint.name}, {_UNSURE[Basis(row.cable_length_basis)]}"


_SUPPLY_CURRENT = _OfModel("supplies", "supply", {"rated_current_a": "the rated current"}, _itself)
_SUPPLY_VOLTAGES = _OfModel(
    "supplies",
    "supply",
    {"no_load_voltage_v": "the no-load voltage", "rated_load_voltage_v": "the voltage at rated load"},
    _supplies_of,
)
_SUPPLY_CLASS = _OfModel("supplies", "supply", {"class_2_marked": "whether it is marked Class 2"}, _itself)
_AMPLIFIER_POWER = _OfModel("amplifiers", "amplifier", {"rated_power_w": "the rated power"}, _itself)
_OUTPUT_SOURCE = _OfModel(
    "endpoints", "endpoint", {"output_impedance_ohm": "the output impedance"}, _endpoint_of
)
_BUDGET = _OfModel("switches", "switch", {"poe_budget_w": "the PoE budget"}, _itself)
_BUDGET_LOST = _OfModel(
    "switches", "switch", {"poe_budget_one_lost_w": "the PoE budget with one supply lost"}, _itself
)
_CLASSES = _OfModel("endpoints", "endpoint", {"poe_class": "the PoE class"}, _endpoints_on)
_DRAWS = _OfModel("endpoints", "endpoint", {"paging_poe_w": "the power while paging"}, _endpoints_on)


def _power_supplies(facts: SiteFacts, subject: Subject) -> Iterator[str]:
    switch, row = facts.switches.get(subject[1], (None, None))
    if switch is not None and (row is None or row.power_supply_count is None):
        yield f"how many power supplies switch {switch.name} has"


_HANGS_ON: Final[Mapping[str, tuple[Look, ...]]] = {
    "supply_current": (_SUPPLY_CURRENT, _counts, _CURRENTS),
    "class_2_power": (_SUPPLY_CLASS, _SUPPLY_CURRENT, _SUPPLY_VOLTAGES, _counts, _CURRENTS),
    "run_voltage": (_SUPPLY_VOLTAGES, _LOWEST_VOLTAGES, _counts, _CURRENTS, _LENGTHS, _CABLES, _PAIRS),
    "run_current": (_fuse, _counts, _CURRENTS),
    "conductor_current": (_counts, _CURRENTS, _CABLES, _PAIRS),
    "output_speakers": (_counts,),
    "audio_level": (_OUTPUT_SOURCE, _INPUTS, _counts, _LENGTHS, _CABLES),
    "amplifier_load": (_AMPLIFIER_POWER, _counts, _TAPS),
    "line_impedance": (_AMPLIFIER_POWER, _counts, _TAPS),
    "line_loss": (_counts, _TAPS, _LENGTHS, _CABLES),
    "poe_allocated": (_BUDGET, _CLASSES),
    "poe_one_supply_lost": (_BUDGET_LOST, _power_supplies, _CLASSES),
    "poe_measured": (_BUDGET,),
    "port_power": (_CLASSES, _DRAWS, _endpoint_lengths),
    "endpoint_cable": (_endpoint_lengths,),
    "wire_gauge": (_CABLES,),
}
"""By limit, what its figure is made of. Limits of the record itself (a row used twice) hang on nothing."""
