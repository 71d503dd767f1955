"""What stands on a site, from a day to a day: shown as it is today at its site, or as of the end of another
day.

What a thing is (its name, its place) stands on its own row; what it was when (its model, what feeds it) is in
its dated facts. Here both are one: fields of the facts stand beside those of the thing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from functools import cache, cached_property, lru_cache
from operator import attrgetter
from typing import Any, ClassVar

from django.db.models import Exists, Model, OuterRef, Prefetch, QuerySet
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.model_meta import get_field_info

from api.conventions import fields, problems
from api.conventions.filters import FilterSet, item_query
from api.conventions.serializers import QuerySerializer, ResourceSerializer, model_field, type_of_column
from api.conventions.viewsets import CorrectMixin, Versions, versions_of
from sites.access.scope import on_sites, on_sites_of, scoped
from sites.changes.making import today_at, today_in, version_of
from sites.changes.steps import day_of, first_step_after
from sites.fields import SiteKey
from sites.models import Coverage, DatedFacts, Site
from sites.models.dated import thing_fields
from sites.once import once
from sites.selectors import (
    Before,
    StepAfterToday,
    begun,
    ended,
    facts_of_things,
    history,
    holding,
    site_of,
    stood,
)

from .effects import BesideEffect, EffectMixin

NO_CASE = "Without regard to capital letters."


class AsOfQuery(QuerySerializer):
    as_of = fields.Day(
        required=False, help_text="As of the end of this day in the site's time zone; left out: today there."
    )


def before_asked(asked: Mapping[str, Any]) -> Before:
    """The step after the day of the query; its facts and things come before it."""
    day: date | None = asked.get("as_of")
    return StepAfterToday() if day is None else first_step_after(day)


def day_asked(asked: Mapping[str, Any], site: Site) -> date:
    """The day of the query; without one, today at the site."""
    return asked.get("as_of") or today_in(site.time_zone)


# --- filters ------------------------------------------------------------------------------------------------


class SiteFilterSet(FilterSet):
    """For what lies on one site. What is asked by the id of another thing is looked for on that thing's site:
    its rows lie together there, and no key needs an index of its own."""

    site_id = fields.Id()
    customer_id = fields.Id(source="site__customer_id")

    across = {"id": ()}

    def filter_customer_id(self, rows: QuerySet[Any], value: int) -> QuerySet[Any]:
        site = str(self.fields["customer_id"].source).removesuffix("__customer_id")
        return rows.filter(on_sites_of([value], f"{site}_id"))

    def filter_lookups(self, rows: QuerySet[Any], lookups: Mapping[str, Any]) -> QuerySet[Any]:
        rows = super().filter_lookups(rows, lookups)
        for lookup, value in lookups.items():
            thing = _thing_at(rows.model, lookup)
            if thing is not None:
                rows = rows.filter(site_id=site_of(thing, value))
        return rows


class CoveredFilterSet(SiteFilterSet):
    """For what is told of a contract."""

    contract_id = fields.Id(help_text="Of sites that this contract covers, did or will.")

    def filter_contract_id(self, rows: QuerySet[Any], value: int) -> QuerySet[Any]:
        covering = scoped(Coverage, self.context["view"].principal.scope).filter(contract_id=value)
        return rows.filter(on_sites(covering.order_by().values("site_id").distinct()))


def _thing_at(model: type[Model], lookup: str) -> type[Model] | None:
    """The model to whose id on the same site a lookup leads; None: to no such id."""
    field: Any = None
    for name in lookup.split("__"):
        field = model_field(model, name.removesuffix("_id"))
        if field is None or field.related_model is None:
            return None
        model = field.related_model
    return model if isinstance(field, SiteKey) else None


class PlacedFilterSet(AsOfQuery, SiteFilterSet):
    """For what stands on a site from one step to another: as of a day. `of`: the lookup that leads to what
    begins and ends, where that is not the thing itself."""

    ended = fields.Choice(
        choices=["no", "yes", "any"],
        default="no",
        help_text="Things that stood on the day, things that had ended by then, or both.",
    )

    of: ClassVar[str] = ""
    across = {"name": ("name",), "site": (), "id": ("name",)}

    def is_sparse(self, name: str) -> bool:
        if name == "ended":  # most of what there is has not ended
            return bool(self.validated_data[name] == "yes")
        return name != "as_of"

    @property
    def before(self) -> Before:
        return before_asked(self.validated_data)

    def filter_as_of(self, rows: QuerySet[Any], value: date) -> QuerySet[Any]:  # noqa: ARG002
        return rows  # the other filters read it

    def filter_ended(self, rows: QuerySet[Any], value: str) -> QuerySet[Any]:
        condition = {"no": stood, "yes": ended, "any": begun}[value]
        return rows.filter(condition(self.before, self.of))


class NamedFilterSet(PlacedFilterSet):
    """For what has a name, and stands in a closet."""

    closet_id = fields.Id()
    name = fields.Text(source="name__iexact", help_text=NO_CASE)


class DatedFilterSet(PlacedFilterSet):
    """The same, where the facts that held on the day can be asked for: a lookup that begins with one of
    theirs."""

    def filter_lookups(self, rows: QuerySet[Any], lookups: Mapping[str, Any]) -> QuerySet[Any]:
        serializer: type[FactsSerializer] = self.context["view"].serializer_class
        facts = serializer.Meta.facts
        wanted = {lookup: value for lookup, value in lookups.items() if serializer.is_fact(lookup)}
        rows = super().filter_lookups(
            rows, {lookup: value for lookup, value in lookups.items() if lookup not in wanted}
        )
        if not wanted:
            return rows
        for lookup, value in wanted.items():
            thing = _thing_at(facts, lookup)
            if thing is not None:
                rows = rows.filter(site_id=site_of(thing, value))
        held = holding(facts, self.before)
        return rows.filter(Exists(held.filter(**{thing_of(facts): OuterRef("pk")}, **wanted)))


class NamedDatedFilterSet(DatedFilterSet, NamedFilterSet):
    """The same, of what has a name, and stands in a closet."""


def thing_of(facts: type[DatedFacts]) -> str:
    """The field of the thing whose facts these are: ``run_id``."""
    (name,) = thing_fields(facts)
    return name


# --- what is shown ------------------------------------------------------------------------------------------


class StepDayField(serializers.DateField):
    """The day of a step: when a thing began to stand, or ended."""

    def to_representation(self, value: int) -> str:  # type: ignore[override]
        return _day_written(value)


@lru_cache(4096)  # a long list has few days
def _day_written(step: int) -> str:
    return day_of(step).isoformat()


class PlacedSerializer(BesideEffect, ResourceSerializer):
    began_on = StepDayField(source="begin_step", read_only=True)
    ended_on = StepDayField(source="end_step", read_only=True, allow_null=True)


class FactsSerializer(BesideEffect, ResourceSerializer):
    """A thing with the facts that held on the day; `Meta.facts` is their model. Where facts are unknown they
    are null."""

    unchanged_since = StepDayField(
        source="now.step",
        read_only=True,
        allow_null=True,
        help_text="The day since which everything shown here holds.",
    )

    # Expansions that are one step beyond what a fact names, with the way there
    beyond: ClassVar[Mapping[str, str]] = {}

    @classmethod
    @cache
    def fact_names(cls) -> frozenset[str]:
        """Fields of the facts that the thing itself has not."""
        models: tuple[type[Model], type[Model]] = cls.Meta.model, cls.Meta.facts
        own, facts = (
            {name for field in model._meta.concrete_fields for name in (field.name, field.attname)}
            for model in models
        )
        return frozenset(facts - own)

    @classmethod
    def is_fact(cls, lookup: str) -> bool:
        """Whether a field, or a lookup that begins with one, is of the facts rather than of the thing
        itself."""
        return lookup.partition("__")[0] in cls.fact_names()

    @classmethod
    def model_fields(cls) -> list[Any]:
        thing = model_field(cls.Meta.facts, thing_of(cls.Meta.facts).removesuffix("_id"))
        facts = [field for field in cls.Meta.facts._meta.concrete_fields if field is not thing]
        return [*super().model_fields(), *facts]

    def build_field(
        self, field_name: str, info: Any, model_class: type[Model], nested_depth: int
    ) -> tuple[type[Any], dict[str, Any]]:
        if not self.is_fact(field_name):
            return super().build_field(field_name, info, model_class, nested_depth)
        field_class, kwargs = super().build_field(
            field_name, get_field_info(self.Meta.facts), self.Meta.facts, nested_depth
        )
        kept: dict[str, Any] = {name: kwargs[name] for name in ("choices", "help_text") if name in kwargs}
        return field_class, {**kept, "source": f"now.{field_name}", "read_only": True, "allow_null": True}

    @classmethod
    def _from_facts(cls, name: str) -> str | None:
        """The way from the facts to what an expansion shows; None where it is not by them."""
        return cls.beyond.get(name) or (name if cls.is_fact(name) else None)

    @classmethod
    def expansion_source(cls, name: str) -> str:
        way = cls._from_facts(name)
        return name if way is None else f"now.{way.replace('__', '.')}"

    @classmethod
    def expands_to_many(cls, name: str) -> bool:
        return cls._from_facts(name) is None and super().expands_to_many(name)

    @classmethod
    def may_be_null(cls, name: str) -> bool:
        return cls._from_facts(name) is not None or super().may_be_null(name)

    @classmethod
    def with_expansions(cls, rows: QuerySet[Any], expand: Sequence[str]) -> QuerySet[Any]:
        # What the facts lead to comes with them
        return super().with_expansions(rows, [name for name in expand if cls._from_facts(name) is None])

    @classmethod
    def ways_named(cls, expand: Iterable[str]) -> list[str]:
        """The ways from the facts to what of `expand` they lead to."""
        return [way for name in expand if (way := cls._from_facts(name)) is not None]

    def show_all(self, things: Sequence[Any]) -> list[dict[str, Any]]:
        for thing in things:
            held = getattr(thing, "held", None)
            thing.now = held[0] if held else None
        shown = super().show_all(things)
        # Expanded in another thing, without the day of the query: null would say not recorded
        for thing, one in zip(things, shown, strict=True):
            if getattr(thing, "held", None) is None:
                for name in self._of_facts:
                    one.pop(name, None)
        return shown

    def column_type(self, source: str) -> type | None:
        thing, _, fact = source.partition(".")
        return type_of_column(self.Meta.facts, fact) if thing == "now" else super().column_type(source)

    @cached_property
    def _of_facts(self) -> list[str]:
        return [name for name, field in self.fields.items() if str(field.source).startswith("now.")]


class DatedSerializer(FactsSerializer, PlacedSerializer):
    """A thing that stands from a day to a day, with its facts."""


# --- the view sets ------------------------------------------------------------------------------------------


class PlacedMixin(EffectMixin):
    """What stands on a site from one step to another."""

    filterset_class = PlacedFilterSet

    def item_query(self) -> type[QuerySerializer]:
        return item_query(self.serializer_class, AsOfQuery)

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        return self.respond(self.get_standing_object())

    def get_standing_object(self) -> Any:
        """The thing of this address; a 404 where it did not stand on the day of the query."""
        row = self.get_object()
        day: date | None = self.asked.get("as_of")
        if day is not None:
            self.require_there(row, day)
        else:
            self.require_begun(row)
        return row

    def require_there(self, row: Any, day: date) -> None:
        """Raise a 404 that says since when, or until when, it stood."""
        if row.begin_step >= first_step_after(day):
            raise not_there(f"It did not stand on {day} yet: it began on {day_of(row.begin_step)}.")
        if row.end_step is not None and row.end_step < first_step_after(day):
            raise not_there(f"It did not stand on {day} any more: it ended on {day_of(row.end_step)}.")

    def require_begun(self, row: Any) -> None:
        """Raise a 404 that says when it begins, for what does not stand yet today."""
        # In no time zone is it more than a day before today in UTC
        if day_of(row.begin_step) >= datetime.now(UTC).date() and day_of(row.begin_step) > today_at(
            row.site_id
        ):
            raise not_yet(day_of(row.begin_step))


class DatedMixin(PlacedMixin, CorrectMixin):
    """The same, with dated facts. Without a day in the query, what has ended is shown as it last was. What is
    planned for a later day is answered, by the write alone, as it will begin."""

    filterset_class = DatedFilterSet
    serializer_class: type[FactsSerializer]

    def get_queryset(self) -> QuerySet[Any]:
        if self.action == "bulk":  # what is new may be planned, and is answered as it will begin
            return super().get_queryset().prefetch_related(self._read())
        return super().get_queryset()

    def annotate(self, rows: Sequence[Any]) -> None:
        bare = [row for row in rows if not hasattr(row, "held")]
        if "as_of" in self.asked or self.action == "list":
            self._attach_held(bare)
        else:
            for row in bare:
                facts, tomorrow = self._history(row), first_step_after(today_in(row.site.time_zone))
                row.held = [one for one in facts if one.step < tomorrow][-1:] or facts[:1]

    def require_begun(self, row: Any) -> None:
        facts = self._history(row)
        if facts and facts[0].step >= first_step_after(today_in(row.site.time_zone)):
            raise not_yet(day_of(facts[0].step))

    def _history(self, row: Any) -> list[DatedFacts]:
        """All facts of a thing, read once: the last of them is its version."""
        if not hasattr(row, "facts_read"):
            row.facts_read = _all_facts_of(self.serializer_class, row.pk)
        facts: list[DatedFacts] = row.facts_read
        return facts

    def versions(self, row: Any) -> Versions:
        found = dict(versions_of(row))
        for last in self._history(row)[-1:]:
            found[f"{last._meta.db_table}/{row.pk}"] = version_of(last)
        return found

    def _read(self) -> Prefetch[Any, Any, Any]:
        """All facts of each thing, as `_history` has them."""
        facts = scoped(self.serializer_class.Meta.facts, self.principal.scope).order_by("step")
        return Prefetch("facts", queryset=facts, to_attr="facts_read")

    def _attach_held(self, rows: Sequence[Any]) -> None:
        """Set on each thing the facts that held of it on the day, as a list of one or none. (The library's
        own way to related rows takes as long again as reading them.)"""
        facts = self.serializer_class.Meta.facts
        ways = self.serializer_class.ways_named(self.asked.get("expand", ()))
        held = facts_of_things(facts, before_asked(self.asked), [row.pk for row in rows], related=ways)
        thing = attrgetter(thing_of(facts))
        found = {thing(one): [one] for one in held}
        for row in rows:
            row.held = found.get(row.pk, [])


@once
def _all_facts_of(serializer: type[FactsSerializer], row_id: int) -> list[DatedFacts]:
    facts, ways = history(serializer.Meta.facts, row_id), serializer.ways_named(serializer.expansions)
    return list(facts.select_related(*ways) if ways else facts)


def not_yet(begins_on: date) -> problems.ProblemError:
    return not_there(f"It does not stand yet: it begins on {begins_on}. Ask with as_of={begins_on}.")


def not_there(detail: str) -> problems.ProblemError:
    return problems.ProblemError(problems.NOT_FOUND, detail)
