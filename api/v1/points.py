"""Points: the devices and splices of a run, and the segment of cable to each."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, ClassVar

from django.db.models import Exists, OuterRef, QuerySet

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion
from api.conventions.views import Ended
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.changes.steps import day_of
from sites.models import Basis
from sites.selectors import before_of, history, recorded_before
from zones.gates import point_for
from zones.models import Point, PointFacts
from zones.selectors import heard_in_zone
from zones.services.points import (
    point_alter,
    point_append,
    point_correct,
    point_found,
    point_insert,
    point_remove,
)

from .acting import done_to_it, making_one
from .cable_types import CableTypeShown
from .dated import Dated, DatedShown, FactFilters, UnchangedSince, before_asked, not_there, require_stood
from .device_models import DeviceModelShown
from .runs import RunShown


class PointShown(DatedShown):
    kind = fields.Word(PointFacts.Kind, source="now.kind", read_only=True, allow_null=True)
    device_kind = fields.Word(
        PointFacts.DeviceKind, source="now.device_kind", read_only=True, allow_null=True
    )
    length_basis = fields.Word(Basis, source="now.length_basis", read_only=True, allow_null=True)
    current_basis = fields.Word(Basis, source="now.current_basis", read_only=True, allow_null=True)
    tap_basis = fields.Word(Basis, source="now.tap_basis", read_only=True, allow_null=True)
    after_id = fields.Id(
        source="now.parent_id",
        read_only=True,
        allow_null=True,
        help_text="The point that it hangs behind; null: its segment comes from the block.",
    )
    unchanged_since = UnchangedSince()

    facts = PointFacts
    expansions: ClassVar = {
        "run": Expansion(RunShown, related=("run",)),
        "model": Expansion(DeviceModelShown, prefetched=("held__model",), source="now.model", nullable=True),
        "cable_type": Expansion(
            CableTypeShown, prefetched=("held__cable_type",), source="now.cable_type", nullable=True
        ),
    }

    class Meta:
        model = Point
        fields = (
            "id",
            "site_id",
            "run_id",
            "rank",
            "name",
            "place",
            "kind",
            "device_kind",
            "model_id",
            "count_low",
            "count_likely",
            "count_high",
            "after_id",
            "length_m",
            "length_basis",
            "cable_type_id",
            "dc_pairs",
            "negative_cut",
            "current_basis",
            "speech_current_a",
            "idle_current_a",
            "tap_power_w",
            "tap_basis",
            "zone_id",
            "feed_supply_id",
            "unchanged_since",
        )
        extra_kwargs = {
            "rank": {"read_only": True, "help_text": "Its place in the run's order: parents come first."},
            "zone_id": {"help_text": "The zone it hangs in, where that is not the run's."},
        }


class PointFilters(FactFilters):
    run_id = fields.Id(required=False)
    zone_id = fields.Id(required=False, help_text="What is heard in this zone: on its runs, or strayed.")
    name = fields.Text(required=False)
    model_id = fields.Id(required=False)
    feed_supply_id = fields.Id(required=False, help_text="Points at which this supply feeds a run.")
    kind = fields.Word(PointFacts.Kind, required=False)

    # A point stands as long as its run does
    of = "run__"
    facts = PointFacts
    fact_lookups: ClassVar = {"model_id": "model_id", "feed_supply_id": "feed_supply_id", "kind": "kind"}
    lookups: ClassVar[dict[str, Lookup]] = {**FactFilters.lookups, "run_id": "run_id", "name": "name"}

    @classmethod
    def applied(cls, rows: QuerySet[Any], asked: Mapping[str, Any]) -> QuerySet[Any]:
        rows = super().applied(rows, asked)
        before = before_asked(asked)
        there = recorded_before(PointFacts, before).filter(point_id=OuterRef("pk"))
        rows = rows.filter(Exists(there))
        return heard_in_zone(rows, asked["zone_id"], before) if "zone_id" in asked else rows


class Points(Dated, Ended):
    """Points of runs: devices, bare splices and uncounted groups. Ending a point
    takes the device off and leaves a splice."""

    gate = point_for
    representation = PointShown
    facts = PointFacts
    filters = PointFilters
    orders = {"rank": Order("rank"), "name": Order("name"), "id": Order("id")}
    usual_order = "id"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "insert": Ability.WRITE_INVENTORY,
        "found": Ability.WRITE_INVENTORY,
        "partial_update": Ability.WRITE_INVENTORY,
        "destroy": Ability.WRITE_INVENTORY,
        "correct": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "create": Writing(point_append, within=("run",)),
        "insert": Writing(point_insert, within=("before",)),
        "found": Writing(point_found, within=("run",)),
        "partial_update": Writing(point_alter, subject="point", partial=True),
        "destroy": Writing(point_remove, subject="point"),
        "correct": Writing(point_correct, subject="point", partial=True),
    }
    making = ("create", "insert", "found")
    versioned = ("correct",)

    insert = making_one("insert", "Cut a device or splice into a run, into the segment before a point.")
    found = making_one(
        "found",
        "Record a device that turns out to have hung on a run all along. This adds nothing on site.",
    )
    correct = done_to_it("correct", "What is recorded of a point was wrong. This adds nothing on site.")

    def require_there(self, row: Point, day: date) -> None:
        require_stood(row.run, day)
        first = history(PointFacts, row.pk).first()
        if first is not None and first.step >= before_of(day):
            raise not_there(f"It did not stand on {day} yet: it was hung on {day_of(first.step)}.")
