"""What stood where, as of a day: set-based reading of things and their dated facts.

"As of a day" is after that day's last change set: rows whose step is below ``first_step_after(day)``, called
``before`` here. Each function costs a constant number of queries, whatever the number of sites and things.
"""

from __future__ import annotations

import datetime as dt
import functools
from collections.abc import Collection, Sequence
from typing import Any, TypeVar

from django.db import connection
from django.db.models import (
    BigIntegerField,
    DateField,
    Exists,
    Func,
    Model,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
)
from django.db.models.expressions import Combinable

from sites.changes.steps import STEPS_A_DAY, first_step_after
from sites.models import Contract, DatedFacts, Placed, Site
from sites.models.dated import thing_fields
from sites.once import once

T = TypeVar("T", bound=Placed)
F = TypeVar("F", bound=DatedFacts)


class StepAfterToday(Func):
    """Row by row, the step before which lies all that holds as of today in the time zone of its site: for
    lists across sites, where today is not the same day for all.

    The site is looked up where a condition comes to ask for it, and not joined: few rows do ask, and for some
    hundred rows PostgreSQL would rather read all sites than look up theirs."""

    template = (
        f"(((now() AT TIME ZONE (%(expressions)s))::date - DATE '1970-01-01')::bigint + 1) * {STEPS_A_DAY}"
    )
    output_field = BigIntegerField()

    def __init__(self) -> None:
        site = Site._default_manager.filter(pk=OuterRef("site_id")).order_by()
        super().__init__(Subquery(site.values("time_zone")))


Before = int | Combinable
"""A step, or an expression that gives one for each row."""


def standing(things: type[T], before: Before, **filters: Any) -> QuerySet[T]:
    """Things that had begun before the step and had not ended before it."""
    return things._default_manager.filter(stood(before), **filters)


def stood(before: Before, of: str = "") -> Q:
    """The condition that a thing had begun before the step and had not ended before it. of: the lookup that
    leads to the thing (``run__``)."""
    return begun(before, of) & (Q(**{f"{of}end_step__isnull": True}) | Q(**{f"{of}end_step__gte": before}))


def ended(before: Before, of: str = "") -> Q:
    """The condition that a thing had ended before the step."""
    return Q(**{f"{of}end_step__lt": before})


def begun(before: Before, of: str = "") -> Q:
    """The condition that a thing had begun before the step, whether it ended or not."""
    return comes_before(f"{of}begin_step", before)


def comes_before(step: str, before: Before) -> Q:
    """The condition that the step of a row, whose lookup is given, comes before another.

    Where that is the step of today, one that is past everywhere is looked at first: to work out the time of
    every site takes longer than all else that a list of a fleet does, and only what began yesterday or later
    depends on it.
    """
    earlier = Q(**{f"{step}__lt": before})
    if isinstance(before, StepAfterToday):
        past_everywhere = first_step_after(dt.datetime.now(dt.UTC).date() - dt.timedelta(days=2))
        return Q(**{f"{step}__lt": past_everywhere}) | earlier
    return earlier


def holding(facts: type[F], before: Before) -> QuerySet[F]:
    """The last row of facts before the step of every thing, to be filtered by what the facts say."""
    things = thing_fields(facts)
    later = facts._default_manager.filter(
        comes_before("step", before),
        step__gt=OuterRef("step"),
        **{name: OuterRef(name) for name in things},
    )
    return facts._default_manager.filter(~Exists(later), comes_before("step", before))


def recorded_before(facts: type[F], before: Before) -> QuerySet[F]:
    """Every row of facts before the step: to ask whether a thing had any."""
    return facts._default_manager.filter(comes_before("step", before))


def facts_before(facts: type[F], before: Before, **filters: Any) -> QuerySet[F]:
    """The last row of facts before the step of every thing that ``filters`` (``site_id__in`` and such)
    choose."""
    things = thing_fields(facts)
    return (
        facts._default_manager.filter(comes_before("step", before), **filters)
        .order_by(*things, "-step")
        .distinct(*things)
    )


@once
def things_with_facts(
    things: type[T], facts: type[F], before: int, *, site_ids: Collection[int]
) -> list[tuple[T, F | None]]:
    """Each thing that stood on the sites with the facts that held of it, and what the facts name of the
    catalogue. One query."""
    sql, models, shared = _held(things, facts)
    with connection.cursor() as cursor:
        cursor.execute(sql, {"sites": list(site_ids), "before": before})
        rows = cursor.fetchall()
    found = []
    for row in rows:
        thing, held, *others = (_of_row(model, row[columns]) for model, columns in models)
        if held is not None:
            for name, other in zip(shared, others, strict=True):
                setattr(held, name, other)
        found.append((thing, held))
    return found


@functools.cache
def _held(things: type[T], facts: type[F]) -> tuple[str, list[tuple[type[Model], slice]], tuple[str, ...]]:
    """The statement of ``things_with_facts``, which models its columns are of, and the references that come
    with the facts. Written out: Django would need two, and longer for each than PostgreSQL for the answer."""
    (key,) = thing_fields(facts)
    shared = tuple(_shared(facts))
    of: dict[str, Any] = {"thing": things, "held": facts}
    of |= {name: facts._meta.get_field(name).related_model for name in shared}
    columns, models, at = [], [], 0
    for alias, model in of.items():
        fields = model._meta.concrete_fields
        columns += [f'"{alias}"."{field.column}"' for field in fields]
        models.append((model, slice(at, at + len(fields))))
        at += len(fields)
    joins = "".join(
        f' LEFT JOIN "{model._meta.db_table}" AS "{name}" ON "{name}".id = held."{name}_id"'
        for name, model in of.items()
        if name in shared
    )
    order = ", ".join(f'"thing"."{name}"' for name in things._meta.ordering or ())
    sql = f"""SELECT {", ".join(columns)} FROM "{things._meta.db_table}" AS thing
        LEFT JOIN LATERAL (
            SELECT * FROM "{facts._meta.db_table}" AS f
            WHERE f.site_id = thing.site_id AND f."{key}" = thing.id AND f.step < %(before)s
            ORDER BY f.step DESC LIMIT 1
        ) AS held ON true {joins}
        WHERE thing.site_id = ANY(%(sites)s::bigint[]) AND thing.begin_step < %(before)s
            AND (thing.end_step IS NULL OR thing.end_step >= %(before)s)
        {f"ORDER BY {order}" if order else ""}"""  # noqa: S608 - our own names
    return sql, models, shared


def _of_row(model: type[Model], values: Sequence[Any]) -> Any:
    """What these columns are; None where they are of no row. No field of a thing or of facts converts what
    the database gives."""
    if all(value is None for value in values):
        return None
    return model.from_db(connection.alias, [field.attname for field in model._meta.concrete_fields], values)


def site_of(things: type[Any], id_: int) -> Subquery:
    """The site of a thing, as an expression: what refers to the thing is of the same site."""
    return Subquery(things._default_manager.filter(pk=id_).order_by().values("site_id"))


def contract_today(site_id: int) -> Contract | None:
    """The contract that covers a site today, as it is there."""
    today = Func(
        "coverages__site__time_zone",
        template="(now() AT TIME ZONE %(expressions)s)::date",
        output_field=DateField(),
    )
    return Contract.objects.filter(coverages__site=site_id, coverages__days__contains=today).first()


def history(facts: type[F], *thing: int) -> QuerySet[F]:
    """All rows of facts of a thing, in the order in which they hold."""
    keys = dict(zip(thing_fields(facts), thing, strict=True))
    return facts._default_manager.filter(**keys).order_by("step")


def _shared(facts: type[DatedFacts]) -> list[str]:
    """The references to the catalogue: what a row of facts is hardly read without."""
    return [
        field.name
        for field in facts._meta.fields
        if field.is_relation and field.related_model._meta.db_table in ("device_model", "cable_type")  # type: ignore[union-attr]
    ]
