"""Values that a figure depends on and that are not recorded, or only guessed, in words.

`_DEPENDS_ON` says by limit which values its figure is made of. What a value is called, whether it is of a
segment, and which field holds its basis, follow from its model field. A rating or a length that is missing
leaves the figure open; one that is guessed, or read off a drawing, makes its band wide.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import Any, Final

from django.db import models

from sites.models import Basis, CableType, DeviceModel, Site, SwitchPort, SwitchPortFacts
from sites.selectors import equipment_before, things_with_facts
from sites.wording import counted, listed, plural
from zones.electrical.subjects import Subject, SubjectKind
from zones.models import PointFacts, Run, RunFacts
from zones.selectors import points_before, points_with_connections, runs_before

_NAMED_AT_MOST: Final = 3
_RUN, _SUPPLY, _AMPLIFIER, _SWITCH, _PORT, _ENDPOINT = (
    SubjectKind.RUN,
    SubjectKind.SUPPLY,
    SubjectKind.AMPLIFIER,
    SubjectKind.SWITCH,
    SubjectKind.PORT,
    SubjectKind.ENDPOINT,
)


class SiteFacts:
    """What is recorded on a day of all that some figures of a site depend on, read once: as many queries for
    a large site as for a small one."""

    def __init__(
        self,
        site_id: int,
        before: int,
        figures: Collection[tuple[str, Subject]],
        jurisdiction: str | None,
    ) -> None:
        """figures: each its limit's code and its subject. jurisdiction: of the site, if recorded."""
        self.jurisdiction = jurisdiction
        self.runs: dict[int, tuple[Run, RunFacts]] = {
            run.pk: (run, row) for run, row in runs_before(before, site_ids=[site_id])
        }
        self._feeds: dict[int, set[int]] = defaultdict(set)
        for point in points_with_connections(before, site_id=site_id):
            if point.feed_supply_id is not None:
                self._feeds[point.run_id].add(point.feed_supply_id)
        self.things = _things(site_id, before, with_ports=_needs_ports(code for code, _ in figures))
        outputs = [row.output for _, row in self.runs.values() if row.output is not None]
        self._endpoint_of_output = {output.pk: output.endpoint_id for output in outputs}
        parts = {part for _, subject in figures for part in self.parts.get(subject, ())}
        self.points: dict[int, list[PointFacts]] = defaultdict(list)
        run_ids = sorted(pk for kind, pk in parts if kind is _RUN)
        for point in points_before(before, site_id=site_id, run_ids=run_ids) if run_ids else ():
            self.points[point.run_id].append(point)

    @cached_property
    def parts(self) -> Mapping[Subject, Mapping[Subject, None]]:
        """By subject, the runs and things that its figures are made of, itself among them."""
        found: dict[Subject, dict[Subject, None]] = defaultdict(dict)
        for run_id, (_, facts) in self.runs.items():
            run = (_RUN, run_id)
            feeds = self._feeds[run_id] | ({facts.supply_id} if facts.supply_id is not None else set())
            sources: list[Subject] = [(_SUPPLY, pk) for pk in sorted(feeds)]
            if facts.amplifier_id is not None:
                sources.append((_AMPLIFIER, facts.amplifier_id))
            found[run] = dict.fromkeys([run, *sources])
            outputs = [] if facts.output_id is None else [(SubjectKind.OUTPUT, facts.output_id)]
            for thing in (*outputs, *sources):
                found[thing][run] = None
        for output_id, endpoint_id in self._endpoint_of_output.items():
            found[SubjectKind.OUTPUT, output_id][_ENDPOINT, endpoint_id] = None
        for thing, (_, row) in self.things.items():
            found[thing][thing] = None
            port = row.port if thing[0] is _ENDPOINT and row is not None else None
            if port is not None:
                found[_PORT, port.pk][thing] = None
                found[_SWITCH, port.switch_id][thing] = None
        return found


def _things(site_id: int, before: int, *, with_ports: bool) -> dict[Subject, tuple[Any, Any]]:
    """Each thing of a site with its facts."""
    site = equipment_before(before, site_ids=[site_id])
    standing: dict[SubjectKind, Sequence[tuple[Any, Any]]] = {
        _SUPPLY: site.supplies,
        _AMPLIFIER: site.amplifiers,
        _SWITCH: site.switches,
        _ENDPOINT: site.endpoints,
    }
    if with_ports:
        standing[_PORT] = things_with_facts(SwitchPort, SwitchPortFacts, before, site_ids=[site_id])
    return {(kind, thing.pk): (thing, row) for kind, of in standing.items() for thing, row in of}


def _needs_ports(codes: Iterable[str]) -> bool:
    """Whether a value of a port is asked: a site has many."""
    return any(kind is _PORT for code in codes for kind, *_ in _DEPENDS_ON.get(code, ()))


def unknown_of(facts: SiteFacts, code: str, subject: Subject) -> tuple[str, ...]:
    """What a figure of a subject depends on and is not recorded, or only guessed: each a phrase such as ``the
    length of 3 segments on run R1 (to points 4, 5 and 6)``."""
    found: dict[str, None] = {}
    for kind, *names in _DEPENDS_ON.get(code, ()):
        for part in facts.parts.get(subject, ()):
            if part[0] is kind:
                found |= dict.fromkeys(_of_run(facts, part[1], names) if kind is _RUN else ())
                if kind is _PORT:
                    found |= dict.fromkeys(_port_type(facts, part))
                elif part in facts.things:
                    found |= dict.fromkeys(_of_thing(facts, part, names))
    return tuple(found)


# --- of the runs, their devices and segments ----------------------------------------------------------------


def _of_run(facts: SiteFacts, run_id: int, names: Sequence[str]) -> Iterator[str]:
    run, row = facts.runs[run_id]
    for name in names:
        if name in _OF_RUN:
            yield from _OF_RUN[name](run, row, facts.points[run_id])
        elif _ONLY_ON.get(name, run.kind) == run.kind:
            yield from _of_points(run, facts.points[run_id], name)


def _of_points(run: Run, points: Sequence[PointFacts], name: str) -> Iterator[str]:
    """A value of all points of a run: of the segments to them, or of the devices there."""
    of_segment = name in PointFacts.SEGMENT
    hows = (_MISSING, *_UNSURE.values(), _OF_FULL_OUTPUT, _OF_A_WHOLE)
    by_how: dict[str, list[str]] = {how: [] for how in hows}
    for point in points:
        how = _how(point, name)
        if how in by_how and (of_segment or point.kind != PointFacts.Kind.SPLICE):
            by_how[how].append(point.point.name)
    for how, named in by_how.items():
        if named:
            where = f"{plural(len(named), 'point')} {listed(named, _NAMED_AT_MOST)}"
            count = counted(len(named), "segment" if of_segment else "speaker")
            place = f"({'to ' if of_segment else ''}{where})"
            yield f"the {_words(PointFacts, name)} of {count} on run {run.name} {place}{how}"


def _counts(run: Run, row: RunFacts, points: Sequence[PointFacts]) -> Iterator[str]:  # noqa: ARG001
    for point in points:
        counted = point.count_low is not None and point.count_low == point.count_high
        if point.kind == PointFacts.Kind.UNCOUNTED_GROUP and not counted:
            yield (
                f"how many devices there are at point {point.point.name} of run {run.name} "
                f"(about {point.count_likely}, {point.count_low} to {point.count_high})"
            )


def _amplifier_of(run: Run, row: RunFacts, points: Sequence[PointFacts]) -> Iterator[str]:  # noqa: ARG001
    """Which amplifier drives a line: its voltage decides what the taps draw."""
    if run.kind == Run.Kind.CONSTANT_VOLTAGE and row.amplifier_id is None:
        yield f"which amplifier drives run {run.name}"


def _listing(run: Run, row: RunFacts, points: Sequence[PointFacts]) -> Iterator[str]:  # noqa: ARG001
    types = {point.cable_type.name: point.cable_type for point in points if point.cable_type is not None}
    for name, cable in sorted(types.items()):
        if cable.listing is None and not cable.category:
            yield f"the listing of cable {name} on run {run.name}: read its jacket"
    yield from _of_points(run, [point for point in points if point.cable_type is None], "cable_type")


def _fuse(run: Run, row: RunFacts, points: Sequence[PointFacts]) -> Iterator[str]:  # noqa: ARG001
    if row.fuse_fitted is None:
        yield f"whether run {run.name} has a fuse of its own"
    elif row.fuse_fitted and row.fuse_rating_a is None:
        yield f"the rating of the fuse of run {run.name}"


def _feed(run: Run, row: RunFacts, points: Sequence[PointFacts]) -> Iterator[str]:
    """Which supply feeds the run, and what each carries where several do."""
    if row.supply_id is None:
        at_points = any(point.feed_supply_id is not None for point in points)
        yield f"which supply feeds run {run.name}{' at its block' if at_points else ''}"
    yield from _several_feeds(run, row, points)


def _several_feeds(run: Run, row: RunFacts, points: Sequence[PointFacts]) -> Iterator[str]:
    """What each supply carries, where several feed one section of the run."""
    section: dict[int | None, int] = {}
    feeds: Counter[int] = Counter()
    for point in points:
        begins = point.negative_cut or point.parent_id not in section
        top = section[point.point_id] = point.point_id if begins else section[point.parent_id]
        feeds[top] += point.feed_supply_id is not None
        feeds[top] += begins and not point.negative_cut and row.supply_id is not None
    if max(feeds.values(), default=0) > 1:
        yield f"what each supply carries of run {run.name}: several feed one section"


# --- of what feeds them -------------------------------------------------------------------------------------


def _of_thing(facts: SiteFacts, subject: Subject, names: Sequence[str]) -> Iterator[str]:
    """Values of a supply, an amplifier, a switch or an endpoint; those of its model together."""
    thing, row = facts.things[subject]
    called = f"{SubjectKind(subject[0]).word} {thing.name}"
    model: DeviceModel | None = row.model if row is not None else None
    rated = [name for name in names if hasattr(DeviceModel, name)]
    lacking = [f"the {_words(DeviceModel, name)}" for name in rated if getattr(model, name, None) is None]
    if rated and model is None:
        yield f"which model {called} is"
    elif model and lacking:
        yield f"{listed(lacking)} of {model.name} ({called})"
    for name in names:
        if name in _IN_ITS_CASE:
            yield from _IN_ITS_CASE[name](facts, subject)
        elif name not in rated:
            how = _MISSING if row is None else _how(row, name)
            if how is not None:
                yield f"the {_words(type(thing).facts.rel.related_model, name)} of {called}{how}"


def _line_voltage(facts: SiteFacts, amplifier: Subject) -> Iterator[str]:
    """The line voltage, of an amplifier that drives taps."""
    if _drives_taps(facts, amplifier):
        yield from _of_thing(facts, amplifier, ["line_voltage_v"])


def _lowest_load(facts: SiteFacts, amplifier: Subject) -> Iterator[str]:
    """The lowest load impedance; taps are judged by line voltage and rated power where it is not stated."""
    _, row = facts.things[amplifier]
    model = row.model if row is not None else None
    if model is None or model.minimum_impedance_ohm is None:
        name = "rated_power_w" if _drives_taps(facts, amplifier) else "minimum_impedance_ohm"
        yield from _of_thing(facts, amplifier, [name])


def _drives_taps(facts: SiteFacts, amplifier: Subject) -> bool:
    runs = (facts.runs[pk][0] for kind, pk in facts.parts[amplifier] if kind is _RUN)
    return any(run.kind == Run.Kind.CONSTANT_VOLTAGE for run in runs)


def _local_rules(facts: SiteFacts, source: Subject) -> Iterator[str]:
    """Outside the reach of the NEC, what no record of ours can say."""
    if facts.jurisdiction not in (None, Site.Jurisdiction.UNITED_STATES):
        thing, _ = facts.things[source]
        yield f"what the local wiring rules say of the marking of {SubjectKind(source[0]).word} {thing.name}"


def _shared_sections(facts: SiteFacts, supply: Subject) -> Iterator[str]:
    """What it carries of the runs on it that several supplies feed."""
    for kind, run_id in facts.parts[supply]:
        if kind is _RUN:
            yield from _several_feeds(*facts.runs[run_id], facts.points[run_id])


def _lldp_cable(facts: SiteFacts, endpoint: Subject) -> Iterator[str]:
    """The cable length, where power by LLDP is allocated with the loss of the cable."""
    _, row = facts.things[endpoint]
    if row is not None and row.negotiated_power_w is not None:
        yield from _of_thing(facts, endpoint, ["cable_length_m"])


def _budget(facts: SiteFacts, switch: Subject, lost: int = 0) -> Iterator[str]:
    """The PoE budget with the power supplies fitted, or with one lost, and what decides which that is."""
    thing, row = facts.things[switch]
    model = row.model if row is not None else None
    takes = model.power_supplies_max if model is not None else None
    fitted = row.power_supply_count if row is not None else None
    if fitted is None and takes == 1:
        fitted = 1
    stated = "poe_budget_one_lost_w" if lost else "poe_budget_w"
    if takes is None or fitted is None:
        yield from _of_thing(facts, switch, [stated, "power_supplies_max", "power_supply_count"])
    elif fitted - lost in (takes, takes - 1):
        name = "poe_budget_w" if fitted - lost == takes else "poe_budget_one_lost_w"
        yield from _of_thing(facts, switch, [name])
    else:
        supplies = counted(fitted - lost, "power supply", "power supplies")
        yield f"the PoE budget of switch {thing.name} with {supplies}"


def _budget_one_lost(facts: SiteFacts, switch: Subject) -> Iterator[str]:
    yield from _budget(facts, switch, lost=1)


def _port_type(facts: SiteFacts, subject: Subject) -> Iterator[str]:
    """The type of a port, where neither the port nor its switch's model says it."""
    port, row = facts.things[subject]
    switch, of_switch = facts.things[_SWITCH, port.switch_id]
    if (row is None or row.port_type is None) and (
        of_switch is None or of_switch.model is None or of_switch.model.port_type is None
    ):
        yield f"the type of port {port.number} of switch {switch.name}, or of the ports of its model"


# --- how a value is known -----------------------------------------------------------------------------------


def _how(row: Any, name: str) -> str | None:
    """How a value of facts, or of the model, is known, as the end of a phrase; None: measured or marked."""
    value = getattr(row if hasattr(row, name) else row.model, name, None)
    if value is None or (isinstance(value, CableType) and value.gauge_awg is None):
        return _MISSING
    if name == _CURRENT and row.speech_is_rule_of_thumb:
        return _OF_FULL_OUTPUT
    if name == "length_m" and row.length_share is not None:
        return _OF_A_WHOLE
    stem = "_basis"
    for field in row._meta.fields:
        if field.name.endswith(stem) and name.startswith(field.name.removesuffix(stem)):
            return _UNSURE.get(getattr(row, field.name))
    return None


def _words(of: type[models.Model], name: str) -> str:
    """What people call a value: as its field says."""
    fields = {field.name: field for model in (DeviceModel, of) for field in model._meta.local_fields}
    return str(fields[name].verbose_name) if name in fields else name


def _may_be_missing(names: Sequence[str]) -> tuple[str, ...]:
    """The names of those facts of points that may be null."""
    fields = [PointFacts._meta.get_field(name) for name in names]
    return tuple(field.name for field in fields if field.null)


_MISSING: Final = ""
_UNSURE: Final = {Basis.GUESSED: ", only guessed", Basis.DRAWING: ", only from a drawing"}
_OF_A_WHOLE: Final = ", recorded only together, since it was cut at a distance not recorded"
_OF_FULL_OUTPUT: Final = ", taken as half of full output"
_FEED, _FUSE, _COUNTS, _CURRENT, _TAP = "feed", "fuse", "counts", "current", "tap_power_w"
_AMPLIFIER_OF, _LINE_VOLTAGE, _LOWEST_LOAD = "amplifier", "line voltage", "lowest load"
_LISTING, _RULES = "listing", "local rules"
_SHARED = "what several supplies carry"
_LLDP_CABLE, _BUDGET, _BUDGET_ONE_LOST = "cable of LLDP power", "budget", "budget with one supply lost"
_CABLE, _SEGMENT = _may_be_missing(PointFacts.CABLE), _may_be_missing(PointFacts.SEGMENT)
_OF_RUN: Final[Mapping[str, Callable[[Run, RunFacts, Sequence[PointFacts]], Iterator[str]]]] = {
    _FEED: _feed,
    _FUSE: _fuse,
    _COUNTS: _counts,
    _AMPLIFIER_OF: _amplifier_of,
    _LISTING: _listing,
}
_IN_ITS_CASE: Final[Mapping[str, Callable[[SiteFacts, Subject], Iterator[str]]]] = {
    _SHARED: _shared_sections,
    _LINE_VOLTAGE: _line_voltage,
    _LOWEST_LOAD: _lowest_load,
    _LLDP_CABLE: _lldp_cable,
    _BUDGET: _budget,
    _BUDGET_ONE_LOST: _budget_one_lost,
    _RULES: _local_rules,
}
"""Values of an amplifier, a switch or an endpoint that its figures need in some cases only."""
_IMPEDANCE = "nominal_impedance_ohm"
_ONLY_ON: Final = {
    _CURRENT: Run.Kind.SELF_AMPLIFIED,
    _TAP: Run.Kind.CONSTANT_VOLTAGE,
    _IMPEDANCE: Run.Kind.LOW_IMPEDANCE,
}
"""Kinds of runs on which a value of the devices is asked."""

_VOLTAGES: Final = (_SUPPLY, "no_load_voltage_v", "rated_load_voltage_v", _SHARED)
_TAPS: Final = ((_AMPLIFIER, "rated_power_w"), (_RUN, _COUNTS, _TAP))
_CLASSES: Final = (_ENDPOINT, "poe_class", _LLDP_CABLE)
_DEPENDS_ON: Final[Mapping[str, Sequence[tuple[Any, ...]]]] = {
    "supply_current": ((_SUPPLY, "rated_current_a"), (_RUN, _FEED, _COUNTS, _CURRENT)),
    "wiring_class": (
        (_SUPPLY, "class_2_marked", _RULES),
        (_AMPLIFIER, "output_class", _RULES),
        (_RUN, _LISTING),
    ),
    "run_voltage": (_VOLTAGES, (_RUN, _FEED, "minimum_voltage_v", _COUNTS, _CURRENT, *_SEGMENT)),
    "run_current": ((_RUN, _FEED, _FUSE, _COUNTS, _CURRENT),),
    "conductor_current": ((_RUN, _FEED, _COUNTS, _CURRENT, *_CABLE),),
    "no_feed": ((_RUN, _FEED),),
    "supply_over_voltage": ((_SUPPLY, "no_load_voltage_v"),),
    "output_speakers": ((_RUN, _COUNTS),),
    "audio_level": (
        (_ENDPOINT, "output_impedance_ohm"),
        (_RUN, "input_impedance_ohm", _COUNTS, "length_m", "cable_type"),
    ),
    "amplifier_load": _TAPS,
    "line_impedance": ((_AMPLIFIER, _LINE_VOLTAGE, _LOWEST_LOAD), (_RUN, _COUNTS, _TAP, _IMPEDANCE)),
    "line_loss": (
        (_AMPLIFIER, _LINE_VOLTAGE),
        (_RUN, _AMPLIFIER_OF, _COUNTS, _TAP, _IMPEDANCE, *_SEGMENT),
    ),
    "poe_allocated": ((_SWITCH, _BUDGET), _CLASSES),
    "poe_one_supply_lost": ((_SWITCH, _BUDGET_ONE_LOST), _CLASSES),
    "poe_measured": ((_SWITCH, _BUDGET),),
    "port_type": ((_PORT,), _CLASSES),
    "port_power": ((_ENDPOINT, "poe_class", "paging_poe_w", "cable_length_m"),),
    "endpoint_cable": ((_ENDPOINT, "cable_length_m"),),
    "wire_gauge": ((_RUN, "cable_type"),),
}
"""By limit, the kinds of things that its figure is made of, each with the values that it needs. Limits of
the record itself (a row used twice) need none."""
