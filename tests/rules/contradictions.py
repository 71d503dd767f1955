"""What cannot stand in the record, generated from the rules and the kinds of things that each is about."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Any

from sites.fields import Fact, LineField, MacField, WholeField
from sites.models import Basis, Contract, DeviceModel
from sites.rules.equipment import MODELS
from tests.rules.channels import Attempt
from tests.rules.plant import NOW, Ref, model_of, ref
from zones.asbuilt.formats import BY_NAME
from zones.models import KINDS, PointFacts, Run, Test
from zones.models.test_kinds import TestKind, TestState
from zones.rules.points import DEVICE_KINDS
from zones.rules.runs import FED_BY

C, SW = ref("closets", "C"), ref("switches", "SW")
SPEAKER, HORN = model_of("ceiling_speaker"), model_of("horn")
FEEDS = {
    "output": ref("outputs", "gateway", 2),
    "supply": ref("supplies", "PS"),
    "amplifier": ref("amplifiers", "A"),
}
SELF_AMPLIFIED, CONSTANT_VOLTAGE = ref("runs", "self_amplified"), ref("runs", "constant_voltage")
_K, _D = PointFacts.Kind, PointFacts.DeviceKind

VALID = {
    attempt.kind: attempt
    for attempt in (
        Attempt("a device model", "device_models", {"name": "another", "kind": "horn"}),
        Attempt("a cable type", "cable_types", {"name": "another", "gauge_awg": 24}),
        Attempt("a closet", "closets", {"name": "another"}),
        Attempt("a switch", "switches", {"name": "another", "closet": C, "model": model_of("switch")}),
        Attempt(
            "an endpoint",
            "endpoints",
            {"name": "another", "model": model_of("gateway"), "port": ref("switch_ports", "SW", 3)},
        ),
        Attempt("a supply", "supplies", {"name": "another", "closet": C, "model": model_of("supply")}),
        Attempt(
            "an amplifier", "amplifiers", {"name": "another", "closet": C, "model": model_of("amplifier")}
        ),
        Attempt("a block", "blocks", {"name": "another", "closet": C, "kind": "66_split"}),
        Attempt("a zone", "zones", {"name": "another"}),
        Attempt(
            "a run",
            "runs",
            {
                "name": "another", "block": ref("blocks", "B"), "kind": Run.Kind.SELF_AMPLIFIED,
                "zone": ref("zones", "Z"), "output": FEEDS["output"], "supply": FEEDS["supply"],
            },
        ),
        Attempt(
            "a point",
            "points",
            {
                "name": "another", "run": SELF_AMPLIFIED, "kind": _K.DEVICE, "model": SPEAKER,
                "length_m": 5.0, "length_basis": Basis.MEASURED,
            },
        ),
        Attempt(
            "a landing",
            "landings",
            {
                "block": ref("blocks", "B"), "row": 11, "side": "field", "run": SELF_AMPLIFIED, "pair": 2,
                "carries": "audio",
            },
        ),
        Attempt(
            "a visit",
            "visits",
            {"closet": C, "visited_on": NOW, "technician": "R. Vale"},
        ),
        Attempt(
            "a test",
            "tests",
            {
                "kind": Test.Kind.RUN_CURRENT, "state": "idle", "value": 0.2, "taken_on": NOW,
                "run": SELF_AMPLIFIED,
            },
        ),
        Attempt(
            "a network speaker heard in a zone",
            "zone_endpoints",
            {"zone": ref("zones", "Z"), "endpoint": ref("endpoints", "network_speaker")},
        ),
        Attempt("a paging set", "paging_sets", {"name": "another", "zones": [ref("zones", "Z")]}),
        Attempt(
            "a contract in working hours",
            "contracts",
            {
                "customer": ref("customers", "strand"), "reference": "M-9", "response_hours": 8,
                "cover_hours": Contract.CoverHours.WORKING_HOURS, "working_days": ["monday", "friday"],
                "working_from": "08:00", "working_until": "17:30",
            },
        ),
    )
}  # fmt: skip
"""An attempt of each kind that every channel accepts; each contradiction is one of them with some values
changed."""


FREE = [
    Attempt(f"{kind} {names} ends unused", kind, ended=ref(kind, *names))
    for kind, *names in (("blocks", "screw"), ("outputs", "gateway", 2), ("endpoints", "network_speaker"))
]
"""Things that nothing uses, and so can end."""


def contradictions() -> list[Attempt]:
    return [
        *_models(), *_patched(), *_fed(), *_points(), *_bases(), *_landed(), *_tested(), *_not_standing(),
        *_in_use(), *_out_of_bounds(), *_covered(), *_altered(),
        VALID["paging_sets"].but("a paging set of no zone", zones=[]),
    ]  # fmt: skip


def _models() -> Iterator[Attempt]:
    for kind, thing in (
        ("switches", "switch"), ("supplies", "supply"), ("amplifiers", "amplifier"),
        ("endpoints", "endpoint"), ("points", "point"),
    ):  # fmt: skip
        for model in DeviceModel.Kind:
            if model not in MODELS[thing]:
                yield VALID[kind].but(f"a {thing} of a model of a {model.label}", model=model_of(model))
    for model in MODELS["point"]:
        for device in set(DEVICE_KINDS.values()) - {DEVICE_KINDS[model]}:
            label = f"a {_D(device).label} of a model of a {model.label}"
            yield VALID["points"].but(label, model=model_of(model), device_kind=_D(device))


def _patched() -> Iterator[Attempt]:
    endpoint = VALID["endpoints"]
    for model in MODELS["endpoint"]:
        for number, there in ((1, "gateway"), (2, "network speaker")):
            port = ref("switch_ports", "SW", number)
            yield endpoint.but(f"a {model.label} on the port of a {there}", model=model_of(model), port=port)
    for source in ("injector", "adapter", "mains", "unknown"):
        yield endpoint.but(f"on a port, but powered by {source}", power_source=source)


def _fed() -> Iterator[Attempt]:
    run, point = VALID["runs"], VALID["points"]
    blank = dict.fromkeys(FEEDS)
    for kind, fitting in FED_BY.items():
        for feed, thing in FEEDS.items():
            if feed not in fitting:
                yield run.but(
                    f"a {kind} run fed by a {feed}", **blank | {"kind": Run.Kind(kind), feed: thing}
                )
                both = {"kind": Run.Kind(kind), feed: thing, "output": FEEDS["output"]}
                yield run.but(f"a {kind} run fed by a {feed} beside an output", **blank | both)
        if "supply" not in fitting:
            values = {"run": ref("runs", kind), "feed_supply": FEEDS["supply"]}
            yield point.but(f"a supply that feeds a {kind} run at a point", **values)
    yield run.but("a rating of no fuse", fuse_fitted=False, fuse_rating_a=1.0)


def _points() -> Iterator[Attempt]:
    point = VALID["points"].but("", model=None)
    for name, value in (
        ("model", SPEAKER), ("model", HORN), ("model", model_of("wall_speaker")), ("device_kind", _D.HORN),
        ("device_kind", _D.CEILING_SPEAKER), ("device_kind", _D.WALL_SPEAKER), ("speech_current_a", 0.1),
        ("idle_current_a", 0.01), ("tap_power_w", 5.0),
    ):  # fmt: skip
        more = {"tap_basis": Basis.MARKED} if name == "tap_power_w" else {}
        yield point.but(f"a splice with {name} {value}", kind=_K.SPLICE, **{name: value}, **more)
    counts = ("count_low", "count_likely", "count_high")
    for kind in (_K.DEVICE, _K.SPLICE):
        of = dict(zip(counts, (4, 6, 9), strict=True))
        yield point.but(f"a {kind.label} with counts", kind=kind, **of)
    for given in ((5, 4, 9), (9, 6, 4), (4, 9, 6), (6, 4, 5)):
        of = dict(zip(counts, given, strict=True))
        yield point.but(f"counts out of order: {given}", kind=_K.UNCOUNTED_GROUP, **of)


def _bases() -> Iterator[Attempt]:
    for kind, value_name, basis_name in (
        ("points", "length_m", "length_basis"), ("points", "tap_power_w", "tap_basis"),
        ("endpoints", "cable_length_m", "cable_length_basis"),
    ):  # fmt: skip
        for basis in Basis:
            value = 5.0 if basis == Basis.UNKNOWN else None
            of = {value_name: value, basis_name: basis}
            yield VALID[kind].but(f"{kind}: {value_name} {value}, {basis.label}", **of)


def _landed() -> Iterator[Attempt]:
    landing = VALID["landings"]
    blank = {"run": None, "side": "equipment"}
    for name, thing in (("run", SELF_AMPLIFIED), *FEEDS.items()):
        owner = {name: thing} if name == "run" else blank | {name: thing}
        for row in (0, 25, 26, 399):
            yield landing.but(f"a pair of a {name} from row {row} of 25 on", row=row, **owner)
    for pair in (0, 26):
        yield landing.but(f"pair {pair}", pair=pair)


_TESTED: dict[str, Ref] = {
    "run": SELF_AMPLIFIED, "point": ref("points", "self_amplified", "P1"), "switch": SW,
    "zone": ref("zones", "Z"),
}  # fmt: skip


def _test_of_nothing(kind: TestKind) -> Attempt:
    """All that a test of the kind says, but for what it was taken at."""
    entry = KINDS[kind]
    said: dict[str, Any] = {"kind": kind, "taken_on": NOW}
    if entry.states:
        said["state"] = entry.states[-1]
    said |= {"passed": True} if entry.measured is None else {"value": 1.0}
    return Attempt("", "tests", said | ({entry.confirmed_by: True} if entry.confirmed_by else {}))


TESTS = [
    _test_of_nothing(kind).but(
        f"a test of {kind} of a {min(names)}", **{name: _TESTED[name] for name in names}
    )
    for kind, entry in KINDS.items()
    for names in entry.subjects
]
"""Tests of every kind that fit."""


def _tested() -> Iterator[Attempt]:
    for kind, entry in KINDS.items():
        wanted = min(entry.subjects, key=sorted)
        fitting = {name: _TESTED[name] for name in wanted}
        good = _test_of_nothing(kind)
        yield good.but(f"a test of {kind} of nothing")
        for name in _TESTED.keys() - wanted:
            # a point is named with its run
            more = {"run": SELF_AMPLIFIED} if name == "point" else {}
            named = fitting | more | {name: _TESTED[name]}
            if named.keys() not in entry.subjects:
                yield good.but(f"a test of {kind} that names a {name}", **named)
        if entry.measured is None:
            yield good.but(f"a test of {kind} with a value", **fitting, value=1.0)
            yield good.but(f"a test of {kind} that neither passes nor fails", **fitting, passed=None)
        else:
            yield good.but(f"a test of {kind} that passes", **fitting, passed=True)
            yield good.but(f"a test of {kind} without a value", **fitting, value=None)
            yield good.but(f"a test of {kind} below all bounds", **fitting, value=entry.measured.minimum - 1)
            beyond = entry.measured.maximum * 1.01
            yield good.but(f"a test of {kind} beyond all bounds", **fitting, value=beyond)
        if not entry.states:
            yield good.but(f"a test of {kind} while paging", **fitting, state=TestState.PAGING)
            yield good.but(f"a test of {kind} at a tone", **fitting, signal="tone")
        else:
            yield good.but(f"a test of {kind} in no state", **fitting, state=None)
            if TestState.IDLE not in entry.states:
                yield good.but(f"an idle test of {kind}", **fitting, state=TestState.IDLE)
        if entry.confirmed_by:
            for said in (False, None):
                yield good.but(f"a test of {kind} confirmed: {said}", **fitting, **{entry.confirmed_by: said})
    later = NOW + dt.timedelta(days=1)
    yield VALID["tests"].but("a test of the day after", taken_on=later)
    yield VALID["tests"].but("a test of the next year", taken_on=later.replace(year=NOW.year + 1))
    yield VALID["tests"].but("an idle test at a tone", signal="tone")
    yield VALID["tests"].but("a test that confirms what it need not", electronics_disconnected=True)
    yield VALID["tests"].but(
        "a test after whose day the calibration was due before it was made",
        calibrated_on=NOW, calibration_due_on=NOW - dt.timedelta(days=1),
    )  # fmt: skip
    yield VALID["visits"].but("a visit of the day after", visited_on=later)


def _covered() -> Iterator[Attempt]:
    """Working hours that are not stated in full, or end before they begin: no hour of them would count."""
    contract = VALID["contracts"]
    for name, nothing in (("working_days", []), ("working_from", ""), ("working_until", "")):
        yield contract.but(f"working hours without {name}", **{name: nothing})
    for begin, end in (("08:00", "08:00"), ("17:30", "08:00")):
        yield contract.but(f"working hours from {begin} until {end}", working_from=begin, working_until=end)


_NAMED = (
    ("blocks", "closet", ("C",)), ("supplies", "closet", ("C",)), ("amplifiers", "closet", ("C",)),
    ("switches", "closet", ("C",)), ("endpoints", "closet", ("C",)), ("runs", "block", ("B",)),
    ("endpoints", "port", ("SW", 3)), ("runs", "zone", ("Z",)), ("runs", "output", ("gateway", 2)),
    ("runs", "supply", ("PS",)), ("points", "zone", ("Z",)), ("points", "feed_supply", ("PS",)),
    ("points", "run", ("self_amplified",)), ("landings", "block", ("B",)),
    ("landings", "run", ("self_amplified",)), ("landings", "output", ("gateway", 1)),
    ("landings", "supply", ("PS",)), ("landings", "amplifier", ("A",)),
    ("zone_endpoints", "zone", ("Z",)), ("zone_endpoints", "endpoint", ("network_speaker",)),
)  # fmt: skip
_TARGETS = {
    "closet": "closets", "block": "blocks", "port": "switch_ports", "zone": "zones", "output": "outputs",
    "supply": "supplies", "feed_supply": "supplies", "amplifier": "amplifiers", "run": "runs",
    "endpoint": "endpoints",
}  # fmt: skip
_PLACED = [(kind, name) for kind, name, _ in _NAMED if (kind, name) == ("runs", "block") or name == "closet"]
"""Where things stand. That is not dated, so a place is only asked whether it has ended."""
NEWER_PLACES = [
    VALID[kind].but(f"{kind}: a {name} yet to come", **{name: ref(_TARGETS[name], f"NEW {first}", *rest)})
    for kind, name, (first, *rest) in _NAMED
    if (kind, name) in _PLACED
]
"""Things that were moved into a newer place, or recorded before it was."""


def _not_standing() -> Iterator[Attempt]:
    """What a thing names has ended before or since, or begins after. A point ends with its run."""
    for kind, name, (first, *rest) in _NAMED:
        for life, word in (
            ("OLD", "that has ended"), ("GONE", "that has ended since"), ("NEW", "yet to come"),
        ):  # fmt: skip
            if life == "NEW" and (kind, name) in _PLACED:
                continue
            if life == "GONE" and (kind, name) == ("points", "run"):
                continue
            named = ref(_TARGETS[name], f"{life} {first}", *rest)
            more = {"run": None, "side": "equipment"} if kind == "landings" and name in FEEDS else {}
            yield VALID[kind].but(f"{kind}: a {name} {word}", **more | {name: named})
    for life in ("OLD", "GONE", "NEW"):
        zones = [ref("zones", "Z"), ref("zones", f"{life} Z")]
        yield VALID["paging_sets"].but(f"a paging set with the zone {life} Z", zones=zones)


ALTERED = {
    "points": ref("points", "self_amplified", "P1"), "endpoints": ref("endpoints", "network_speaker"),
    "supplies": ref("supplies", "PS"), "amplifiers": ref("amplifiers", "A"),
}  # fmt: skip
"""What stands, by kind; of runs there is one of each kind."""
_STAYS = frozenset({"name", "run", "block", "closet", "kind of run"})
"""Not altered with the rest: by what a thing is known, and where it stands."""


def altering(attempt: Attempt, *, as_correction: bool = False) -> Attempt:
    """The same values, given to what stands already."""
    values = {name: value for name, value in attempt.values.items() if name not in _STAYS}
    if attempt.kind == "runs":
        thing = ref("runs", str(values.pop("kind")))
    elif attempt.kind == "points":
        thing = ref("points", attempt.values["run"].names[0], "P1")
    else:
        thing = ALTERED[attempt.kind]
    word = "corrected" if as_correction else "altered"
    return Attempt(
        f"{word}: {attempt.label}", attempt.kind, values, altered=thing, as_correction=as_correction
    )


_FITTING = {**VALID, "endpoints": VALID["endpoints"].but("an endpoint", model=model_of("network_speaker"))}
ALTERATIONS = [
    altering(_FITTING[kind], as_correction=as_correction)
    for kind in ("runs", *ALTERED)
    for as_correction in (False, True)
]
"""Alterations and corrections that fit."""


def _altered() -> Iterator[Attempt]:
    """A rule holds for what is altered or corrected as for what is added."""
    of_facts = [*_models(), *_patched(), *_fed(), *_points(), *_bases()]
    not_there = [
        attempt
        for attempt in _not_standing()
        for name in ("zone", "output", "supply", "feed_supply", "port")
        if str(getattr(attempt.values.get(name), "names", "")).startswith(("('OLD", "('GONE", "('NEW"))
    ]
    fitting = [
        attempt
        for attempt in [*of_facts, *not_there]
        # The network speaker may stay on its own port
        if attempt.kind in ("runs", *ALTERED) and attempt.values.get("port") != ref("switch_ports", "SW", 2)
    ]
    # Both go through the same rules: some of each are enough to see that no operation leaves one out
    for number, attempt in enumerate(fitting):
        if number % 2:
            yield altering(attempt, as_correction=number % 4 == 1)


def _in_use() -> Iterator[Attempt]:
    for kind, *names in (
        ("closets", "C"), ("switches", "SW"), ("endpoints", "gateway"), ("supplies", "PS"),
        ("amplifiers", "A"), ("blocks", "B"), ("zones", "Z"), ("zones", "in a set"),
        ("runs", "self_amplified"), ("outputs", "gateway", 1),
    ):  # fmt: skip
        yield Attempt(f"{kind} {names} ends in use", kind, ended=ref(kind, *names))


def _out_of_bounds() -> Iterator[Attempt]:
    """Every number of every kind just outside the bounds that its field states, and texts that hide."""
    for kind, valid in VALID.items():
        of = BY_NAME[kind]
        columns = {column.attribute for column in of.all_columns}
        for model in filter(None, (of.model, of.facts)):
            for fact in model._meta.concrete_fields:
                if fact.name not in columns - {"rank"} or not isinstance(fact, Fact):
                    continue
                for value in _outside(fact):
                    yield valid.but(f"{kind}: {fact.name} {value!r}", **_given(fact.name, value))


def _outside(fact: Fact) -> Iterator[Any]:
    step = 1 if isinstance(fact, WholeField) else 0.001
    if fact.maximum is not None:
        yield fact.maximum + step
        yield fact.above if fact.minimum is None else fact.minimum - step
    elif isinstance(fact, MacField):
        yield "zz"
    elif isinstance(fact, LineField):
        yield "zero\u200bwidth"


def _given(name: str, value: Any) -> dict[str, Any]:
    """A value with what it needs to be the only fault."""
    together: dict[str, dict[str, Any]] = {
        "fuse_rating_a": {"fuse_fitted": True},
        "length_m": {"length_basis": Basis.MEASURED},
        "cable_length_m": {"cable_length_basis": Basis.MEASURED},
        "tap_power_w": {"tap_basis": Basis.MEASURED},
    }
    return {name: value, **together.get(name, {})}
