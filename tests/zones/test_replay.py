"""What a random history of changes leaves behind, as of every day, is what replaying it on plain lists gives.

The model is naive on purpose: for each change it copies the whole run and edits the copy.
"""

from __future__ import annotations

import datetime as dt
import random
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any

import pytest

from sites.changes.errors import ChangeRefused
from sites.changes.services import change_accept
from sites.changes.steps import first_step_after
from sites.models import DeviceModel, Site, Supply, SupplyFacts
from sites.selectors import things_with_facts
from tests import factories
from tests.factories import change
from zones.models import Point, PointFacts, Run
from zones.selectors import points_before, pulled_clips_before

pytestmark = pytest.mark.django_db
FIRST = dt.date(2025, 1, 1)
DAYS = 12


@dataclass
class Node:
    parent: str | None
    length_m: float | None
    is_device: bool = True
    tap_power_w: float | None = None


@dataclass
class Naive:
    """A site as lists and dictionaries say it."""

    order: list[str] = field(default_factory=list)
    nodes: dict[str, Node] = field(default_factory=dict)
    supply_ratings: dict[str, float] = field(default_factory=dict)
    pulled: set[int] = field(default_factory=set)


def random_operation(
    rng: random.Random, now: Naive, ids: dict[str, int], things: dict[str, Any]
) -> dict[str, Any]:
    name = f"n{rng.randrange(10**9)}"
    length = rng.choice([None, 4.0, 6.0, 10.0])
    basis = {"length_m": length, "length_basis": "measured"} if length else {}
    if not now.order or rng.random() < 0.35:
        after = rng.choice([None, *now.order])
        return {
            "op": "point.append",
            "run_id": things["run"],
            "name": name,
            **({"after_id": ids[after]} if after else {}),
            **basis,
        }
    chosen = rng.choice(now.order)
    return rng.choice(
        [
            {"op": "point.insert", "before_id": ids[chosen], "name": name},
            {"op": "point.insert", "before_id": ids[chosen], "name": name},
            {"op": "point.remove", "point_id": ids[chosen]},
            {"op": "point.alter", "point_id": ids[chosen], "tap_power_w": 5.0, "tap_basis": "marked"},
            {"op": "point.alter", "point_id": ids[chosen], "after_id": ids[rng.choice(now.order)]},
            {"op": "supply.alter", "supply_id": things["supply"], "model_id": rng.choice(things["models"])},
            {"op": "clip.pull", "block_id": things["block"], "rows": [rng.randint(1, 4)]},
            {"op": "clip.put", "block_id": things["block"], "rows": [rng.randint(1, 4)]},
        ]
    )


def replay(now: Naive, operation: dict[str, Any], names: dict[int, str], ratings: dict[int, float]) -> None:
    """Do to plain lists what an operation does to the record; raises KeyError where it must be refused."""
    match operation:
        case {"op": "point.append", "name": name}:
            after = names.get(operation.get("after_id", 0))
            now.order.append(name)
            now.nodes[name] = Node(after, operation.get("length_m"))
        case {"op": "point.insert", "before_id": before, "name": name}:
            child = now.nodes[names[before]]
            half = None if child.length_m is None else child.length_m / 2
            now.order.append(name)
            now.nodes[name] = Node(child.parent, half)
            child.parent, child.length_m = name, half
        case {"op": "point.remove", "point_id": point}:
            node = now.nodes[names[point]]
            if not node.is_device:
                raise KeyError(point)
            node.is_device, node.tap_power_w = False, None
        case {"op": "point.alter", "point_id": point, "tap_power_w": power}:
            node = now.nodes[names[point]]
            if not node.is_device:
                raise KeyError(point)
            node.tap_power_w = power
        case {"op": "point.alter", "point_id": point, "after_id": after}:
            now.nodes[names[point]].parent = names[after]
        case {"op": "supply.alter", "model_id": model}:
            now.supply_ratings["PS"] = ratings[model]
        case {"op": "clip.pull", "rows": rows}:
            now.pulled |= set(rows)
        case {"op": "clip.put", "rows": rows}:
            now.pulled -= set(rows)


def recorded(site: Site, run: Run, block_id: int, before: int) -> Naive:
    """The site as the record says it held before a step."""
    rows = points_before(before, site_id=run.site_id, run_ids=[run.pk])
    parents = {row.point_id: row.point.name for row in rows}
    seen: set[int] = set()
    for row in rows:  # parents come before children, whatever was done
        assert row.parent_id is None or row.parent_id in seen
        seen.add(row.point_id)
    return Naive(
        order=[row.point.name for row in rows],
        nodes={
            row.point.name: Node(
                parents[row.parent_id] if row.parent_id else None,
                row.length_m,
                row.kind == PointFacts.Kind.DEVICE,
                row.tap_power_w,
            )
            for row in rows
        },
        supply_ratings={
            thing.name: facts.model.rated_current_a or 0.0
            for thing, facts in things_with_facts(Supply, SupplyFacts, before, site_ids=[site.pk])
            if facts is not None and facts.model is not None
        },
        pulled={row for _, row in pulled_clips_before(before, block_ids=[block_id])},
    )


def same(one: Naive, other: Naive) -> bool:
    return (one.nodes, one.supply_ratings, one.pulled) == (other.nodes, other.supply_ratings, other.pulled)


def built_before(first: dt.date) -> tuple[Site, Run, dict[str, Any], dict[int, float]]:
    """A site of the day before, its run, ids of what ``random_operation`` changes, and ratings by model."""
    models = [factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=rating) for rating in (1.0, 2.0)]
    site = factories.make_site(happened_on=first - dt.timedelta(days=1))
    closet = factories.make_closet(site)
    block = factories.make_block(closet)
    run = factories.make_run(block)
    supply = factories.make_supply(closet, models[0], name="PS")
    things = {"run": run.pk, "supply": supply.pk, "block": block.pk, "models": [model.pk for model in models]}
    return site, run, things, {model.pk: model.rated_current_a or 0.0 for model in models}


@pytest.mark.parametrize("seed", range(12))
def test_as_of_every_day_and_step_equals_the_replay(seed: int) -> None:
    rng = random.Random(seed)
    site, run, things, ratings = built_before(FIRST)
    now = Naive(supply_ratings={"PS": 1.0})
    ids: dict[str, int] = {}
    at_step: dict[int, Naive] = {}
    for day in range(DAYS):
        happened_on = FIRST + dt.timedelta(days=day)
        for _ in range(rng.randint(0, 4)):
            operations = [random_operation(rng, now, ids, things) for _ in range(rng.randint(1, 2))]
            names = {pk: name for name, pk in ids.items()}
            then = deepcopy(now)
            try:
                done = change_accept(change(site, happened_on=happened_on), operations)
            except ChangeRefused:
                continue
            for operation in operations:
                replay(then, operation, names, ratings)
            now = then
            ids = dict(Point.objects.filter(run=run).values_list("name", "pk"))
            assert done.change_set.step is not None
            at_step[done.change_set.step] = deepcopy(now)

    for step, expected in at_step.items():
        assert same(recorded(site, run, run.block_id, step + 1), expected), step
    for day in range(-1, DAYS + 1):
        happened_on = FIRST + dt.timedelta(days=day)
        before = first_step_after(happened_on)
        earlier = [step for step in at_step if step < before]
        expected = at_step[max(earlier)] if earlier else Naive(supply_ratings={"PS": 1.0})
        if day >= 0:
            assert same(recorded(site, run, run.block_id, before), expected), happened_on
    assert len(at_step) > 10
