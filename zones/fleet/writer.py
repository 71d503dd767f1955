"""Writes a planned fleet into the record, batch by batch, inside accepted change sets."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from operator import attrgetter
from threading import Lock
from typing import Any

import numpy as np
from django.db import connection, connections, models, transaction

from sites.changes.context import bulk_lane, each_row_context
from sites.changes.models import ChangeSet
from sites.changes.services import Change, open_change_set
from sites.models import CableType, Contract, Customer, DeviceModel, Site
from zones.fleet import wording
from zones.fleet.batch import NONE, SITES_A_BATCH, Batch, Columns, Ints, refers_to
from zones.fleet.catalogue import CABLES, MODELS
from zones.fleet.days import BUILT_FIRST, date_of
from zones.fleet.plan import plan_batch
from zones.fleet.staging import accept, insert, stage, take_ids
from zones.fleet.tables import CHANGE_SETS, TARGETS

SITES_A_CUSTOMER = 40
CODE = "fleet-"
_NUMBERED = [target.source for target in (CHANGE_SETS, *TARGETS) if target.numbered]


@dataclass(frozen=True)
class Written:
    """What a fleet, or a batch of it, consists of."""

    sites: int = 0
    zones: int = 0
    runs: int = 0
    points: int = 0
    change_sets: int = 0

    def __add__(self, other: Written) -> Written:
        return Written(*(getattr(self, name) + getattr(other, name) for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class _Shared:
    """Ids of what all sites of the fleet share, by position."""

    models: Ints
    cables: Ints
    customers: Ints
    contracts: Ints


class FleetExistsError(Exception):
    """The record has a fleet already, or something of its names."""


def write_fleet(
    *, sites: int, seed: int, workers: int = 1, on_batch: Callable[[Written], None] = lambda _: None
) -> Written:
    """Write the fleet of ``seed``: the same rows whenever it is asked for, but for their ids.

    sites: how many; a smaller fleet is the beginning of a larger one. workers: connections that write at the
    same time, more than one only outside a transaction. on_batch: told of each batch, once it is written.
    Raises FleetExistsError where a fleet stands already.
    """
    if Site.objects.filter(code__startswith=CODE).exists():
        raise FleetExistsError(f"There are sites {CODE}… already: a fleet goes into a record without one.")
    shared = _write_shared(customers=-(-sites // SITES_A_CUSTOMER))
    numbers = range(-(-sites // SITES_A_BATCH))

    def write(number: int) -> Written:
        batch = plan_batch(seed, number)
        left = sites - number * SITES_A_BATCH
        return _write_batch(batch if left >= SITES_A_BATCH else batch.beginning(left), shared)

    def write_some(some: Sequence[int]) -> Written:
        total = Written()
        for number in some:
            written = write(number)
            with telling:
                on_batch(written)
            total += written
        return total

    def write_on_own_connection(some: Sequence[int]) -> Written:
        try:
            return write_some(some)
        finally:
            connections.close_all()

    telling = Lock()
    if workers == 1:
        return write_some(numbers)
    with ThreadPoolExecutor(workers) as pool:
        parts = [numbers[first::workers] for first in range(workers)]
        return sum(pool.map(write_on_own_connection, parts), Written())


# --- what sites share ---------------------------------------------------------------------------------


def _shared_change(reason: str) -> Change:
    return Change(
        site_id=None,
        user=None,
        actor=wording.CREWS[0],
        reason=reason,
        channel=ChangeSet.Channel.COMMAND,
        happened_on=date_of(BUILT_FIRST),
    )


def _write_shared(*, customers: int) -> _Shared:
    with open_change_set(_shared_change("Catalogue and customers of a synthetic fleet")):
        models_, cables = (
            _found_or_made([model(name=entry.name, **entry.fields) for entry in entries], "name")
            for model, entries in ((DeviceModel, MODELS), (CableType, CABLES))
        )
        made = _found_or_made([_customer(k) for k in range(customers)], "code")
        contracts = [_contract(k, int(customer)) for k, customer in enumerate(made)]
        return _Shared(models_, cables, made, _found_or_made(contracts, "customer_id", "reference"))


def _found_or_made(rows: Sequence[models.Model], *key: str) -> Ints:
    """Ids of rows, told by the columns of their key: written where no earlier attempt has left them."""
    manager = type(rows[0])._default_manager
    of_row = attrgetter(*key, "pk")

    def known() -> dict[Any, int]:
        return {of[:-1]: of[-1] for of in manager.values_list(*key, "pk")}

    there = known()
    manager.bulk_create([row for row in rows if of_row(row)[:-1] not in there])
    there = known()
    return np.array([there[of_row(row)[:-1]] for row in rows], np.int64)


def _customer(number: int) -> Customer:
    name = f"{wording.CUSTOMERS[number % len(wording.CUSTOMERS)]} {number // len(wording.CUSTOMERS) + 1}"
    return Customer(code=f"{CODE}{number:03d}", name=name)


def _contract(number: int, customer_id: int) -> Contract:
    terms = {"response_hours": (4, 8, 24)[number % 3], "test_interval_months": (6, 12)[number % 2]}
    return Contract(customer_id=customer_id, reference=f"FLEET-{number:03d}", **terms)


# --- a batch ------------------------------------------------------------------------------------------


def _write_batch(batch: Batch, shared: _Shared) -> Written:
    """One transaction: the change sets, then table by table, those first that others refer to.

    The change sets are rows like the others: made one by one, as those of people are, they would take more
    time of Python than all the rest. They are quiet, and so of no interest to whoever listens.
    """
    with transaction.atomic(), bulk_lane(), connection.cursor() as cursor:
        ids = {name: take_ids(cursor, name, batch.count(name)) for name in _NUMBERED}
        tables = {name: dict(columns) for name, columns in batch.tables.items()}
        _complete(tables, shared)
        stage(cursor, CHANGE_SETS.source, _with_ids(tables[CHANGE_SETS.source], CHANGE_SETS.source, ids))
        steps = accept(cursor)
        staged: set[str] = set()
        with each_row_context():
            for target in TARGETS:
                if target.source not in staged:
                    staged.add(target.source)
                    stage(cursor, target.source, _with_ids(tables[target.source], target.source, ids, steps))
                insert(cursor, target)
        _cover(cursor, tables["site"], ids["site"], shared)
    return Written(
        sites=batch.count("site"),
        zones=batch.count("zone"),
        runs=batch.count("run"),
        points=batch.count("point"),
        change_sets=batch.count("change_set"),
    )


def _complete(tables: dict[str, Columns], shared: _Shared) -> None:
    """Columns that follow from others, and the ids of what sites share."""
    for columns in tables.values():
        for name, ids in (("model", shared.models), ("cable", shared.cables)):
            if name in columns:
                columns[name] = np.append(ids, NONE)[columns[name]]
    site = tables["site"]
    site["customer"] = shared.customers[site["number"] // SITES_A_CUSTOMER]
    tables["zone"]["trade"] = site["trade"][tables["zone"]["site"]]
    for name in ("supply", "amplifier"):
        tables[name]["closet_number"] = tables["closet"]["number"][tables[name]["closet"]]
    tables["run"]["zone_number"] = tables["zone"]["number"][tables["run"]["zone"]]
    facts = tables["point_facts"]
    facts["parent_rank"] = np.append(tables["point"]["rank"], np.nan)[facts["parent"]]
    reading = tables["reading"]
    reading["day"] = tables["change_set"]["day"][reading["change"]]


def _with_ids(columns: Columns, source: str, ids: dict[str, Ints], steps: Ints | None = None) -> Columns:
    """Columns as they are staged: positions have become ids, change sets their ids and ``steps``."""
    out: Columns = {}
    for name, values in columns.items():
        if name in ("change", "at"):
            continue
        target = refers_to(name)
        out[name] = np.append(ids[target], NONE)[values] if target in ids else values
    if steps is not None:
        out["change_set_id"] = ids["change_set"][columns["change"]]
        out["step"] = steps[columns["at"] if "at" in columns else columns["change"]]
    if source in ids:
        out["id"] = ids[source]
    return out


def _cover(cursor: Any, sites: Columns, site_ids: Ints, shared: _Shared) -> None:
    """Most sites are under contract, from the first day on."""
    covered = np.flatnonzero(sites["number"] % 20 != 19)
    contract = shared.contracts[sites["number"][covered] // SITES_A_CUSTOMER]
    with open_change_set(_shared_change("Contracts cover the sites of a synthetic fleet")):
        cursor.execute(
            "INSERT INTO coverage (contract_id, site_id, days) SELECT contract, site, daterange(%s, NULL) "
            "FROM unnest(%s::bigint[], %s::bigint[]) AS covered (contract, site)",
            [date_of(BUILT_FIRST), contract.tolist(), site_ids[covered].tolist()],
        )
