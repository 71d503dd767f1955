"""Things whose facts are dated: shown as they are today at their site, or as of the end of another day.

What a thing is (its name, its place) stands on its own row; what it was when (its model, what feeds it) is
in its facts. Here both are one: fields of the facts stand beside those of the thing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any, ClassVar

from django.db.models import Exists, F, Model, OuterRef, Prefetch, QuerySet, prefetch_related_objects
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.model_meta import get_field_info

from api.conventions import fields, problems
from api.conventions.etags import Versions, versions_of
from api.conventions.listing import item_query
from api.conventions.representations import Representation
from api.conventions.serializers import Query
from api.conventions.views import Listed, Shown
from sites.changes.selectors import primary_key_fields, version_of
from sites.changes.services import today_at, today_in
from sites.changes.steps import day_of
from sites.models import DatedFacts, Placed
from sites.selectors import (
    Before,
    StepAfterToday,
    before_of,
    begun,
    ended,
    facts_before,
    history,
    holding,
    stood,
)

from .placed import SiteFilters, StepDay

AS_OF_HELP = "As of the end of this day in the site's time zone; left out: today there."


def as_of_field() -> fields.Day:
    return fields.Day(required=False, help_text=AS_OF_HELP)


def before_asked(asked: Mapping[str, Any]) -> Before:
    """The step before which lies what was asked for."""
    day: date | None = asked.get("as_of")
    return StepAfterToday(F("site__time_zone")) if day is None else before_of(day)


# --- filters ------------------------------------------------------------------------------------------------


class StoodFilters(SiteFilters):
    """For what stands on a site from one step to another: as of a day."""

    as_of = as_of_field()
    ended = fields.Choice(
        choices=["no", "yes", "any"],
        default="no",
        help_text="Those that stood on the day, those that had ended by then, or both.",
    )

    of: ClassVar[str] = (
        ""  # the lookup that leads to what begins and ends, where that is not the thing itself
    )

    @classmethod
    def applied(cls, rows: QuerySet[Any], asked: Mapping[str, Any]) -> QuerySet[Any]:
        condition = {"no": stood, "yes": ended, "any": begun}[asked["ended"]]
        return super().applied(rows, asked).filter(condition(before_asked(asked), cls.of))


class FactFilters(StoodFilters):
    """The same, where the facts that held on the day can be asked for. `fact_lookups`: by filter, the lookup
    in the facts."""

    facts: ClassVar[type[DatedFacts]]
    fact_lookups: ClassVar[Mapping[str, str]] = {}

    @classmethod
    def applied(cls, rows: QuerySet[Any], asked: Mapping[str, Any]) -> QuerySet[Any]:
        rows = super().applied(rows, asked)
        wanted = {lookup: asked[name] for name, lookup in cls.fact_lookups.items() if name in asked}
        if not wanted:
            return rows
        held = holding(cls.facts, before_asked(asked))
        return rows.filter(Exists(held.filter(**{thing_of(cls.facts): OuterRef("pk")}, **wanted)))


def thing_of(facts: type[DatedFacts]) -> str:
    """The field of the thing whose facts these are: ``run_id``."""
    (name,) = (name for name in primary_key_fields(facts) if name != "step")
    return name


# --- what is shown ------------------------------------------------------------------------------------------


class DatedShown(Representation):
    """A thing with the facts that held on the day; `facts` is their model, and what `Meta.fields` names and
    the thing has not is one of theirs. Where facts are unknown they are null."""

    facts: ClassVar[type[DatedFacts]]

    def build_field(
        self, field_name: str, info: Any, model_class: type[Model], nested_depth: int
    ) -> tuple[type[Any], dict[str, Any]]:
        own = field_name in info.fields_and_pk or hasattr(model_class, field_name)
        if own:
            return super().build_field(field_name, info, model_class, nested_depth)
        facts_info = get_field_info(self.facts)
        field_class, kwargs = super().build_field(field_name, facts_info, self.facts, nested_depth)
        kept: dict[str, Any] = {name: kwargs[name] for name in ("choices", "help_text") if name in kwargs}
        return field_class, {**kept, "source": f"now.{field_name}", "read_only": True, "allow_null": True}

    def to_representation(self, instance: Any) -> dict[str, Any]:
        held = getattr(instance, "held", None)
        instance.now = held[0] if held else None
        shown: dict[str, Any] = super().to_representation(instance)
        if held is None:
            # Shown within something else, whose day it is not: null would say that nothing is known
            return {name: value for name, value in shown.items() if not self._is_fact(name)}
        return shown

    def _is_fact(self, name: str) -> bool:
        return str(self.fields[name].source).startswith("now.")


class UnchangedSince(StepDay):
    """Since which day the facts are as they are shown."""

    def __init__(self) -> None:
        super().__init__(
            source="now.step", allow_null=True, help_text="Since which day it is as it is shown here."
        )


# --- the resources ------------------------------------------------------------------------------------------


class Stood(Listed, Shown):
    """What stands on a site from one step to another."""

    def query_class(self, operation: str) -> type[Query]:
        if operation == "retrieve":
            return _as_of_query(self.representation)
        return super().query_class(operation)

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        row = self.row()
        day: date | None = self.asked.get("as_of")
        if day is not None:
            self.require_there(row, day)
        else:
            self.require_begun(row)
        return self.shown(row)

    def require_there(self, row: Any, day: date) -> None:
        """Raise a 404 that says since when, or until when, it stood."""
        require_stood(row, day)

    def require_begun(self, row: Any) -> None:
        """Raise a 404 that says from when on it will stand, for what is not there yet today."""
        # Nowhere is it earlier than a day before today in UTC
        if day_of(row.begin_step) >= datetime.now(UTC).date() and day_of(row.begin_step) > today_at(
            row.site_id
        ):
            raise not_yet(day_of(row.begin_step))


class Dated(Stood):
    """The same, with dated facts. Without a day, what has ended is shown as it last was; what a write has
    planned for a day to come is answered as it will begin, and is not there until then."""

    facts: ClassVar[type[DatedFacts]]
    representation: ClassVar[type[DatedShown]]

    def rows(self) -> QuerySet[Any]:
        return super().rows().prefetch_related(self._held())

    def furnish(self, rows: Sequence[Any]) -> None:
        bare = [row for row in rows if not hasattr(row, "held")]
        if "as_of" in self.asked or self.operation == "list":
            prefetch_related_objects(bare, self._held())
        else:
            for row in bare:
                row.held = self._begun(row)[-1:] or self._history(row)[:1]
        super().furnish(rows)

    def require_begun(self, row: Any) -> None:
        if not self._begun(row) and self._history(row):
            raise not_yet(day_of(self._history(row)[0].step))

    def _history(self, row: Any) -> list[DatedFacts]:
        """All facts of a thing, read once: the last of them is its version."""
        if not hasattr(row, "facts_read"):
            row.facts_read = list(history(self.facts, row.pk))
        facts: list[DatedFacts] = row.facts_read
        return facts

    def _begun(self, row: Any) -> list[DatedFacts]:
        """Those of a thing's facts that held today or before."""
        before = before_of(today_in(row.site.time_zone))
        return [facts for facts in self._history(row) if facts.step < before]

    def versions(self, row: Any) -> Versions:
        last = self._history(row)[-1] if self._history(row) else None
        key = f"{self.facts._meta.db_table}/{row.pk}"
        return {**versions_of(row), **({key: version_of(last)} if last is not None else {})}

    def _held(self) -> Prefetch[Any, Any, Any]:
        """The facts that held of each thing on the day, as a list of one or none."""
        held = facts_before(self.facts, before_asked(getattr(self, "asked", {})))
        return Prefetch("facts", queryset=held, to_attr="held")


_AS_OF_QUERIES: dict[type[Representation], type[Query]] = {}


def _as_of_query(representation: type[Representation]) -> type[Query]:
    """Made once, as those of lists are."""
    if representation not in _AS_OF_QUERIES:
        base = item_query(representation)
        _AS_OF_QUERIES[representation] = type(base.__name__, (base,), {"as_of": as_of_field()})
    return _AS_OF_QUERIES[representation]


def require_stood(row: Placed, day: date) -> None:
    if row.begin_step >= before_of(day):
        raise not_there(f"It did not stand on {day} yet: it began on {day_of(row.begin_step)}.")
    if row.end_step is not None and row.end_step < before_of(day):
        raise not_there(f"It did not stand on {day} any more: it ended on {day_of(row.end_step)}.")


def not_yet(begins_on: date) -> problems.Problem:
    return not_there(f"It does not stand yet: it begins on {begins_on}. Ask with as_of={begins_on}.")


def not_there(detail: str) -> problems.Problem:
    return problems.Problem(problems.NOT_FOUND, detail)
