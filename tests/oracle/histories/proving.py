"""What a technician tries and measures on a site while it is worked on, what goes into service, and the
contracts that say how often it is to be tried again."""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Callable, Iterator

from sites.models import Contract, Coverage, Customer, EndpointFacts, Output, Site
from sites.services.customers import coverage_add
from sites.services.instruments import instrument_add
from tests import factories
from tests.factories import change
from zones.models import PointFacts, RunFacts, Test

from .catalogue import Catalogue
from .correcting import read_current, read_voltage
from .playing import History
from .things import Body, Things

MEASURED_EACH = 6
PROOF = ["continuity", "shorts", "polarity", "tone_trace"]
Read = Callable[[Things, dt.date], list[Body]]


class ProvedHistory(History):
    """A history in which every change is followed by tests, now and then."""

    def __init__(self, seed: int, catalogue: Catalogue, contracts: list[Contract], tools: list[int]) -> None:
        super().__init__(seed, catalogue, contracts[seed % len(contracts)])
        if seed % len(contracts) == 0:  # of the sites that are proven often enough to show it
            self.surveyed = 1.0
        self.contracts, self.tools = contracts, tools

    def play(self, count: int) -> Iterator[None]:
        for _ in super().play(count):
            for _ in range(self.rng.choice([0, 1, 1, 2])):
                self._test()
            yield

    def measure(self) -> None:
        """What the record is to be held against in the end, as often of each kind."""
        self._take(lay_known)
        for _ in range(MEASURED_EACH):
            for read in (read_loop, read_line, read_level):
                self._take(read)

    def _begin(self, customer: Customer) -> None:
        super()._begin(customer)
        # the next contract of the site, with another interval or without one, for a time or for good
        covered = Coverage.objects.filter(site=self.site_id).first()
        begins = self.day + dt.timedelta(days=100) if covered is None else covered.days.upper
        if begins is not None and self.rng.random() < 0.8:
            following = self.rng.choice(self.contracts)
            ends = begins + dt.timedelta(days=self.rng.choice([150, 300]))
            end = ends if self.rng.random() < 0.6 else None
            coverage_add(change(), contract=following, site=self._site(), first_day=begins, end_day=end)

    def _site(self) -> Site:
        return Site.objects.get(pk=self.site_id)

    def _test(self) -> None:
        read, weights = zip(*((read, weight) for weight, read in PROVING), strict=True)
        (job,) = self.rng.choices(read, weights)
        self._take(job)

    def _take(self, read: Read) -> None:
        try:
            bodies = read(self.things, self.day)
        except (IndexError, ValueError):  # nothing of the kind stands here
            return
        for body in bodies:
            if body["op"] == "test.record" and self.rng.random() < 0.5:
                body["instrument_record_id"] = self.rng.choice(self.tools)
            if body["op"] == "test.record" and self.rng.random() < 0.5:
                body["taken_as"] = self.rng.choice(["as_found", "as_left"])
            if body["op"] == "test.record" and self.rng.random() < 0.3:
                body["taken_at"] = self.rng.choice(["08:30", "11:00", "16:45"])
        if bodies:
            self._accept(bodies, self.day)


def make_contracts() -> list[Contract]:
    """Of one customer: proofs every three months, every year, and none."""
    customer = factories.make_customer()
    return [factories.make_contract(customer, test_interval_months=months) for months in (3, 12, None)]


def make_instruments() -> list[int]:
    """One whose calibration has lapsed when it is used, and one of which none is recorded."""
    lapsed = {"calibrated_on": dt.date(2022, 1, 10), "calibration_due_on": dt.date(2023, 1, 10)}
    made = [
        instrument_add(change(), name=f"meter {factories.next_number()}", kind="multimeter", **said).result
        for said in (lapsed, {})
    ]
    return [each.pk for each in made]


def prove(things: Things, day: dt.date) -> list[Body]:
    """All four tests of a run, as a rule; some of them, or with one that fails."""
    kinds = PROOF if things.chance(0.8) else things.some(PROOF, 3)
    failing = things.one(kinds) if things.chance(0.25) else None
    taken = _taken(things, day)
    run = _run(things)
    return [
        {"op": "test.record", "kind": kind, "run_id": run, "passed": kind != failing, "taken_on": taken}
        for kind in kinds
    ]


def _run(things: Things) -> int:
    """Mostly one of the runs that are tested often."""
    runs = list(things.run_kind)
    return things.one(runs[:2]) if things.chance(0.6) else things.one(runs)


def retest(things: Things, day: dt.date) -> list[Body]:
    """The same run again, on another day."""
    return prove(things, day + dt.timedelta(days=things.one([-40, -1, 0])))


def withdraw_test(things: Things, day: dt.date) -> list[Body]:
    """A test of a proof that was written down wrongly: it came to something else, or was taken on an earlier
    day."""
    runs = list(things.run_kind)[:2] if things.chance(0.6) else list(things.run_kind)
    newest = Test.objects.filter(run__in=runs, kind__in=PROOF, superseded_by=None).order_by("-pk")
    wrong = things.one(list(newest[:8]))
    body: Body = {"op": "test.supersede", "test_id": wrong.pk}
    earlier = things.one([0, 0, 3, 40, 200])
    if earlier:
        body["taken_on"] = (wrong.taken_on - dt.timedelta(days=earlier)).isoformat()
    if not earlier or things.chance(0.4):
        body["passed"] = not wrong.passed
    return [body]


def remeasure(things: Things, day: dt.date) -> list[Body]:
    body: Body = {"op": "test.supersede", "test_id": things.one(things.readings)}
    return [body | {"value": round(things.rng.uniform(0.1, 20), 3)}]


def serve(things: Things, day: dt.date) -> list[Body]:
    """The gateway that drives a run put in service, or taken out of it."""
    chosen = _gateway_of(_run(things)) or Output.objects.get(pk=things.one(things.outputs)).endpoint_id
    service = things.one(["in_service", "in_service", "in_service", "out_of_service", "planned"])
    return [{"op": "endpoint.alter", "endpoint_id": chosen, "service": service}]


def correct_gateway(things: Things, day: dt.date) -> list[Body]:
    """The data cable of one was measured, all along or from a day on."""
    chosen = _gateway_of(_run(things)) or things.one(things.endpoints)
    body: Body = {"op": "endpoint.correct", "endpoint_id": chosen, "cable_length_basis": "measured"}
    return [body | {"cable_length_m": round(things.rng.uniform(5, 80), 1)}]


def commission(things: Things, day: dt.date) -> list[Body]:
    """A run tested, and then what drives it put in service."""
    run, bodies = _run(things), []
    for kind in PROOF:
        said = {"op": "test.record", "kind": kind, "run_id": run, "passed": True}
        bodies.append(said | {"taken_on": day.isoformat()})
    gateway = _gateway_of(run)
    if gateway is None:
        return bodies
    return [*bodies, {"op": "endpoint.alter", "endpoint_id": gateway, "service": "in_service"}]


def _gateway_of(run: int) -> int | None:
    """That which drives a run as it was last recorded."""
    facts = RunFacts.objects.filter(run=run, output__isnull=False).order_by("step").last()
    return None if facts is None or facts.output is None else facts.output.endpoint_id


def feed_otherwise(things: Things, day: dt.date) -> list[Body]:
    """A run patched to another output, which may be in service, or to another supply."""
    run = _run(things)
    if things.run_kind[run] != "self_amplified":
        return [{"op": "run.alter", "run_id": run, "amplifier_id": things.one(things.amplifiers)}]
    name, choices = things.one([("output_id", things.outputs), ("supply_id", things.supplies)])
    return [{"op": "run.alter", "run_id": run, name: things.one(choices)}]


def land_or_lift(things: Things, day: dt.date) -> list[Body]:
    """A pair of a run landed, that may carry nothing, or one taken off again."""
    run = _run(things)
    if things.landings and things.chance(0.3):
        return [{"op": "landing.end", "landing_ids": [things.one(things.landings)]}]
    carries = ["audio", "dc", "spare"] if things.run_kind[run] == "self_amplified" else ["line", "spare"]
    body: Body = {"op": "landing.add", "block_id": things.one(things.blocks), "run_id": run}
    place = {"row": things.rng.choice([13, 15, 17, 19, 21, 23]), "pair": things.rng.randint(1, 4)}
    return [body | place | {"carries": things.one(carries)}]


def lay_known(things: Things, day: dt.date) -> list[Body]:
    """A run by itself on a new gateway, and a line by itself on a new amplifier, so well recorded that level
    and impedance can be told: on many sites none is."""
    gateway, run, amplifier, line = (things.name(stem) for stem in ("GW", "R", "A", "R"))
    bodies: list[Body] = [
        {"op": "endpoint.add", "name": gateway, "label": gateway, "power_source": "adapter",
         "closet_id": things.one(things.closets),
         "model_id": things.one(things.catalogue.models["gateway"][:3])},
        {"op": "run.add", "name": run, "label": run, "block_id": things.one(things.blocks),
         "kind": "self_amplified", "output_id": f"@{gateway}/output/1"},
        {"op": "amplifier.add", "name": amplifier, "label": amplifier, "line_voltage_v": 70.7,
         "closet_id": things.one(things.closets)},
        {"op": "run.add", "name": line, "label": line, "block_id": things.one(things.blocks),
         "kind": "constant_voltage", "amplifier_id": f"@{amplifier}"},
        {"op": "point.append", "run_id": f"@{line}", **things.segment("constant_voltage"),
         **things.tap("ceiling_speaker"),
         "model_id": things.one(things.catalogue.models["ceiling_speaker"][:2])},
    ]  # fmt: skip
    for _ in range(things.rng.randint(1, 3)):
        model = things.one(things.catalogue.models["ceiling_speaker"][:2])
        body = {"op": "point.append", "run_id": f"@{run}", "model_id": model, "current_basis": "marked"}
        bodies.append(body | things.segment("self_amplified"))
    return bodies


def read_loop(things: Things, day: dt.date) -> list[Body]:
    """The far end shorted at some point; about what so much cable comes to, or far from it."""
    point = things.point("self_amplified") if things.chance(0.9) else things.point()
    metres, at = 0.0, point
    for _ in range(60):
        row = PointFacts.objects.filter(point=at).order_by("step").last()
        if row is None:
            break
        metres += row.length_m or 8.0
        if row.parent_id is None:
            break
        at = row.parent_id
    ohm = metres * 0.17 * things.rng.choice([0.4, 0.9, 1.0, 1.0, 1.1, 2.5])
    return [_measured(things, "loop_resistance", round(ohm, 2), day) | {"point_id": point}]


def read_line(things: Things, day: dt.date) -> list[Body]:
    """The impedance of a line, about what its taps come to at 70.7 V or far from it."""
    lines = [run for run, kind in things.run_kind.items() if things.points[run] and kind != "self_amplified"]
    run = (
        lines[-1] if lines and things.chance(0.5) else things.one(lines)
    )  # the last is known best in the end
    latest = {
        row.point_id: row.tap_power_w or 1.0
        for row in PointFacts.objects.filter(run=run, kind=PointFacts.Kind.DEVICE).order_by("step")
    }
    ohm = 70.7**2 / max(sum(latest.values()), 0.5) * things.rng.choice([0.3, 0.9, 1.0, 1.1, 2.0])
    if things.run_kind[run] == "low_impedance":
        ohm = 8 / max(len(latest), 1) * things.rng.choice([0.5, 1.0, 1.5])
    return [_measured(things, "line_impedance", round(ohm, 2), day) | {"run_id": run}]


def read_level(things: Things, day: dt.date) -> list[Body]:
    """The level at an input: about what so many inputs leave of it or far from that, mostly where it can be
    told: the impedances of all on the output are recorded."""
    latest = {
        row.run_id: row
        for row in RunFacts.objects.filter(run__in=things.run_kind).order_by("step")
        if things.run_kind[row.run_id] == "self_amplified" and things.points.get(row.run_id)
    }
    driven = [run for run, row in latest.items() if row.output_id is not None]
    on_output = Counter(latest[run].output_id for run in driven)
    source_ohm = {run: _source_ohm(run) for run in driven}
    inputs = {run: _inputs_s(run) for run in driven}
    known = [run for run in driven if inputs[run] is not None and source_ohm[run] is not None]
    alone = [run for run in known if on_output[latest[run].output_id] == 1]
    run = things.one((alone or known or driven) if things.chance(0.7) else driven)
    left = -20 * math.log10(1 + (source_ohm[run] or 600.0) * (inputs[run] or 1e-3))
    body = _measured(things, "level", round(left + things.one([0.0, 0.0, 0.2, -3.0]), 2), day)
    return [body | {"point_id": things.one(things.points[run]), "state": "paging"}]


def _source_ohm(run: int) -> float | None:
    """Of the output that drives a run; None where it is not recorded."""
    facts = EndpointFacts.objects.filter(endpoint=_gateway_of(run)).order_by("step").last()
    return None if facts is None or facts.model is None else facts.model.output_impedance_ohm


def _inputs_s(run: int) -> float | None:
    """All inputs of a run, side by side; None where one is not recorded."""
    latest = {row.point_id: row for row in PointFacts.objects.filter(point__run=run).order_by("step")}
    devices = [row.model for row in latest.values() if row.kind != PointFacts.Kind.SPLICE]
    ohms = [None if model is None else model.input_impedance_ohm for model in devices]
    known = [ohm for ohm in ohms if ohm is not None]
    return sum(1 / ohm for ohm in known) if len(known) == len(ohms) else None


def insulate(things: Things, day: dt.date) -> list[Body]:
    body = _measured(things, "insulation", things.one([0.2e6, 1e6, 50e6]), day)
    return [body | {"run_id": things.run(), "electronics_disconnected": True}]


def listen(things: Things, day: dt.date) -> list[Body]:
    of = {"zone_id": things.one(things.zones)} if things.chance(0.5) else {"run_id": things.run()}
    said: Body = {"op": "test.record", "kind": "listening", "state": "paging", "passed": things.chance(0.7)}
    return [said | of | {"taken_on": _taken(things, day)}]


def _measured(things: Things, kind: str, value: float, day: dt.date) -> Body:
    body: Body = {"op": "test.record", "kind": kind, "value": value, "taken_on": _taken(things, day)}
    if kind != "insulation" and things.chance(0.3):
        body["instrument_error"] = things.one([0.001, 0.02, 0.2])
    if kind in ("loop_resistance", "line_impedance") and things.chance(0.3):
        body["temperature_c"] = things.rng.randint(-25, 45)
    return body


def _taken(things: Things, day: dt.date) -> str:
    return (day - dt.timedelta(days=things.one([0, 0, 0, 1, 20]))).isoformat()


PROVING: list[tuple[int, Read]] = [
    (10, prove), (4, retest), (5, withdraw_test), (1, remeasure), (6, serve), (5, commission),
    (4, correct_gateway), (6, feed_otherwise), (6, land_or_lift), (3, read_loop), (3, read_line),
    (6, read_level), (1, insulate), (1, listen), (4, read_current), (3, read_voltage),
]  # fmt: skip
