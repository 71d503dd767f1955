"""Plays a history: change set after change set, several a day, some back-dated, some dated in the future."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable, Iterator
from typing import Any

from django.db import IntegrityError

from sites.changes.errors import ChangeRefused
from sites.changes.services import Change, change_accept, open_change_set
from sites.models import Contract, Customer
from sites.models.changes import ChangeSet
from sites.services.customers import coverage_add
from tests.factories import change

from .building import building
from .catalogue import Catalogue
from .correcting import CORRECTIONS, READINGS
from .raw import RAW
from .things import Body, Tally, Things
from .working import WORK

FIRST_DAY = dt.date(2023, 1, 9)


class History:
    """One site, from a seed. ``play`` yields after every change set that was accepted. surveyed: how likely
    it was taken over."""

    surveyed = 0.4

    def __init__(self, seed: int, catalogue: Catalogue, contract: Contract) -> None:
        self.rng = random.Random(seed)
        self.things = Things(self.rng, catalogue)
        self.tally = Tally()
        self.contract = contract
        self.code = f"oracle-{seed}"
        self.day = FIRST_DAY + dt.timedelta(days=self.rng.randrange(300))
        self.days = [self.day]

    @property
    def site_id(self) -> int:
        return self.things.site_id

    def play(self, count: int) -> Iterator[None]:
        """Until ``count`` change sets are accepted."""
        self._begin(self.contract.customer)
        first = ChangeSet.Kind.TAKEOVER if self.rng.random() < 0.3 else None
        for bodies in building(self.things):
            if not self._accept(bodies, self.day, first):
                raise AssertionError(f"a site must begin: {self.tally.refused}")
            self.day += dt.timedelta(days=self.rng.choice([0, 0, 1, 30]))
            yield
        while self.tally.accepted < count:
            if self._go_on(self._next_day()):
                yield

    def _begin(self, customer: Customer) -> None:
        rng = self.rng
        body: Body = {
            "op": "site.add",
            "customer_id": customer.pk,
            "code": self.code,
            "name": self.code.title(),
        }
        body["time_zone"] = rng.choice(["UTC", "Europe/Lisbon", "America/Denver", "Pacific/Auckland"])
        body["design_temperature_c"] = rng.choice([-25.0, 20.0, 20.0, 45.0, 60.0])
        body["jurisdiction"] = rng.choice(["united_states", "united_states", None, "canada", "elsewhere"])
        if rng.random() < self.surveyed:
            body["surveyed_on"] = (self.day + dt.timedelta(days=rng.choice([0, 1, 60, 200]))).isoformat()
        accepted = change_accept(self._change(self.day), [body])
        site = accepted.result
        self.things.site_id = site.pk
        self.tally.accepted += 1
        if rng.random() < 0.8:
            end = self.day + dt.timedelta(days=rng.choice([100, 400])) if rng.random() < 0.3 else None
            coverage_add(change(), contract=self.contract, site=site, first_day=self.day, end_day=end)

    def _change(self, day: dt.date, kind: ChangeSet.Kind | None = None) -> Change:
        site = self.things.site_id or None
        return Change(
            site_id=site, user=None, actor="Ada Quill", reason="as agreed", channel=ChangeSet.Channel.COMMAND,
            happened_on=day, planned=True, kind=kind, quiet=kind == ChangeSet.Kind.TAKEOVER,
        )  # fmt: skip

    def _next_day(self) -> dt.date:
        """Mostly later than the last one, often the same day, now and then long ago."""
        chance = self.rng.random()
        if chance < 0.15:
            return self.rng.choice(self.days)
        if chance > 0.45:
            self.day += dt.timedelta(days=self.rng.choice([1, 1, 7, 20, 60]))
        return self.day

    def _go_on(self, day: dt.date) -> bool:
        chance = self.rng.random()
        if chance < 0.06:
            return self._write_rows(day)
        if chance < 0.18:
            return self._do(CORRECTIONS, day)
        if chance < 0.30:
            return self._do([(weight, _dated(read, day)) for weight, read in READINGS], day)
        return self._do(WORK, day)

    def _do(self, jobs: list[tuple[int, Any]], day: dt.date) -> bool:
        bodies: list[Body] = []
        for _ in range(self.rng.choice([1, 1, 1, 1, 2, 3])):
            (job,) = self.rng.choices([job for _, job in jobs], [weight for weight, _ in jobs])
            try:
                bodies += job(self.things)
            except IndexError:  # nothing of the kind stands here
                continue
        return bool(bodies) and self._accept(bodies, day)

    def _accept(self, bodies: list[Body], day: dt.date, kind: ChangeSet.Kind | None = None) -> bool:
        known = [{name: self.things.known(value) for name, value in body.items()} for body in bodies]
        try:
            accepted = change_accept(self._change(day, kind), known)
        except ChangeRefused as refused:
            self.tally.refused[refused.problems[0].code] += 1
            return False
        self.things.note(known, accepted.results)
        self.tally.operations.update(body["op"] for body in bodies)
        self._accepted(day)
        return True

    def _write_rows(self, day: dt.date) -> bool:
        ((kind, write),) = self.rng.choices([row[1:] for row in RAW], [row[0] for row in RAW])
        try:
            with open_change_set(self._change(day, ChangeSet.Kind(kind))) as change_set:
                write(self.things, change_set)
        except (IntegrityError, IndexError, ValueError):
            self.tally.refused["rows"] += 1
            return False
        self.tally.operations[f"rows: {write.__name__}"] += 1
        self._accepted(day)
        return True

    def _accepted(self, day: dt.date) -> None:
        self.tally.accepted += 1
        self.days.append(day)


def _dated(read: Callable[[Things, dt.date], list[Body]], day: dt.date) -> Callable[[Things], list[Body]]:
    return lambda things: read(things, day)
