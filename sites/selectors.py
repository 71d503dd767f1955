"""What stood where, as of a day: set-based reading of things and their dated facts.

"As of a day" is after that day's last change set: rows whose step is below ``first_step_after(day)``, called
``before`` here. Each function costs a constant number of queries for any number of sites and things.
"""

from __future__ import annotations

import datetime as dt
import functools
from collections.abc import Collection, Iterable, Mapping, Sequence
from operator import itemgetter
from typing import Any, Final, NamedTuple, TypeVar

from django.db import connection
from django.db.models import (
    BigIntegerField,
    BinaryField,
    BooleanField,
    DateField,
    Exists,
    Expression,
    Field,
    Func,
    Model,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
)
from django.db.models.constants import LOOKUP_SEP
from django.db.models.expressions import Combinable

from sites.changes.steps import STEPS_A_DAY, first_step_after
from sites.fields import Among, Ids
from sites.models import (
    Amplifier,
    AmplifierFacts,
    Block,
    CableType,
    Contract,
    DatedFacts,
    DeviceModel,
    Endpoint,
    EndpointFacts,
    Output,
    Placed,
    Supply,
    SupplyFacts,
    Switch,
    SwitchFacts,
    SwitchPort,
)
from sites.models.dated import thing_fields
from sites.models.rows import listed_row
from sites.once import once

T = TypeVar("T", bound=Placed)
F = TypeVar("F", bound=DatedFacts)


class StepAfterToday(Func):
    """Row by row, the step before which lies all that holds as of today in the time zone of its site: for
    lists across sites, where today is not the same day for all.

    The site is looked up where a condition comes to ask for it, and not joined: few rows do ask, and for some
    hundred rows PostgreSQL would rather read all sites than look up theirs."""

    template = (
        "(((now() AT TIME ZONE (SELECT s.time_zone FROM site AS s WHERE s.id = %(expressions)s))::date "  # noqa: S608
        f"- DATE '1970-01-01')::bigint + 1) * {STEPS_A_DAY}"
    )
    output_field = BigIntegerField()

    def __init__(self) -> None:
        super().__init__("site_id")


Before = int | Combinable
"""A step, or an expression that gives one for each row."""


def standing(things: type[T], before: Before, **filters: Any) -> QuerySet[T]:
    """Things that had begun before the step and had not ended before it."""
    return things._default_manager.filter(stood(before), **filters)


def stood(before: Before, of: str = "") -> Q:
    """The condition that a thing had begun before the step and had not ended before it. of: the lookup that
    leads to the thing (``run__``)."""
    if isinstance(before, StepAfterToday):
        return _by_today(_STOOD, f"{of}begin_step", f"{of}end_step")
    return begun(before, of) & (Q(**{f"{of}end_step__isnull": True}) | Q(**{f"{of}end_step__gte": before}))


def stood_sql(of: str, before: str) -> str:
    """The same in SQL. of: what the thing is called there; before: the step, as there."""
    return f"({of}.begin_step < {before} AND ({of}.end_step IS NULL OR {of}.end_step >= {before}))"


def ended(before: Before, of: str = "") -> Q:
    """The condition that a thing had ended before the step."""
    return Q(**{f"{of}end_step__lt": before})


def begun(before: Before, of: str = "") -> Q:
    """The condition that a thing had begun before the step, whether it ended or not."""
    return comes_before(f"{of}begin_step", before)


def comes_before(step: str, before: Before) -> Q:
    """The condition that the step of a row, whose lookup is given, comes before another."""
    if isinstance(before, StepAfterToday):
        return _by_today(_BEFORE, step)
    return Q(**{f"{step}__lt": before})


_BEFORE: Final = "({0} < %s OR {0} < {before})"
_STOOD: Final = f"({_BEFORE} AND ({{1}} IS NULL OR {{1}} >= {{before}}))"


class _ByToday(Expression):
    """The condition of a template on columns of a row's own table. It needs no lookups: to put it together
    from its parts took as long as to read a hundred rows, and most lists have it.

    Where the step of today matters, one that is past everywhere is looked at first: to work out the time of
    every site takes longer than all else that a list of a fleet does, and only what began yesterday or later
    depends on it.
    """

    conditional = True
    output_field = BooleanField()

    def __init__(self, condition: str, *columns: str) -> None:
        super().__init__()
        self.condition, self.columns = condition, columns

    def resolve_expression(self, *_: Any, **__: Any) -> _ByToday:
        return self  # whose table it is, the query that it is in knows

    def as_sql(self, compiler: Any, connection: Any) -> tuple[str, tuple[Any, ...]]:  # noqa: ARG002
        table = compiler.quote_name_unless_alias(compiler.query.get_initial_alias())
        columns = [f'{table}."{column}"' for column in self.columns]
        before = StepAfterToday.template % {"expressions": f'{table}."site_id"'}
        return _put_together(self.condition, columns, before)


class _OfAnotherByToday(Func):
    """The same on the columns that some lookups lead to."""

    output_field = BooleanField()

    def __init__(self, condition: str, *columns: str) -> None:
        super().__init__(*columns, StepAfterToday())
        self.condition = condition

    def as_sql(self, compiler: Any, connection: Any, **_extra: Any) -> tuple[str, tuple[Any, ...]]:  # type: ignore[override]  # noqa: ARG002
        *columns, before = (compiler.compile(one)[0] for one in self.get_source_expressions())
        return _put_together(self.condition, columns, before)


def _put_together(condition: str, columns: Sequence[str], before: str) -> tuple[str, tuple[int]]:
    return condition.format(*columns, before=before), (past_everywhere(dt.datetime.now(dt.UTC)),)


def _by_today(condition: str, *columns: str) -> Q:
    return Q((_OfAnotherByToday if LOOKUP_SEP in columns[0] else _ByToday)(condition, *columns))


def past_everywhere(now: dt.datetime) -> int:
    """A step before which lies only what has come in every time zone by a moment in UTC. In none is it more
    than a day before that in UTC; a day more, since the clock of the database may be behind."""
    return first_step_after(now.date() - dt.timedelta(days=2))


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


def facts_of_things(
    facts: type[F], before: Before, ids: Iterable[int], *, related: Sequence[str] = ()
) -> list[Any]:
    """The same of the things of these ids, with what they refer to by ``related``. Without that, they are the
    rows of a list, and the statement is kept, since most lists send it: to have it made takes as long as to
    read two hundred rows."""
    if related:
        return list(facts_before(facts, before, **_among(facts, ids)).select_related(*related))
    step = before if isinstance(before, int) else past_everywhere(dt.datetime.now(dt.UTC))
    with connection.cursor() as cursor:
        cursor.execute(_of_things(facts, is_day=isinstance(before, int)), [step, Ids(ids).array])
        return [*map(listed_row(facts), cursor)]


@functools.cache
def _of_things(facts: type[DatedFacts], *, is_day: bool) -> str:
    before = 0 if is_day else StepAfterToday()
    statement, _ = facts_before(facts, before, **_among(facts, ())).query.sql_with_params()
    return statement


def _among(facts: type[DatedFacts], ids: Iterable[int]) -> dict[str, Ids]:
    """The filter by the things that facts are of; of a row of a block, by the block."""
    thing, *_ = thing_fields(facts)
    return {f"{thing}__{Among.lookup_name}": Ids(ids)}


class Part(NamedTuple):
    """A part of a statement: a SELECT of all columns of some tables. of: by its name in there, the model of
    each. rest: what follows the columns, with parameters by name."""

    of: Mapping[str, type[Model]]
    rest: str

    @property
    def sql(self) -> str:
        columns = (
            f'"{name}"."{field.column}"' for name, model in self.of.items() for field in _read_of(model)
        )
        return f"SELECT {', '.join(columns)} {self.rest}"


def read_together(parts: Sequence[Part], asked: Mapping[str, Any]) -> list[list[tuple[Any, ...]]]:
    """The rows of each part, in its order: of each row one object a table, None where an outer join found
    nothing. One query: what a page shows lies in many small tables, and to wait for each takes longer than
    to read them."""
    with connection.cursor() as cursor:
        cursor.execute(_together(tuple(part.sql for part in parts)), asked)
        rows = cursor.fetchall()
    found, at = [], 0
    alias = connection.alias  # to ask for it takes as long as to make a row
    for part in parts:
        place = at
        at += 1
        spans = []
        for model in part.of.values():
            names = [field.attname for field in _read_of(model)]
            spans.append((model, names, slice(at, at := at + len(names))))
        own = sorted((row for row in rows if row[place] is not None), key=itemgetter(place))
        found.append(
            [tuple(_of_row(model, alias, names, row[span]) for model, names, span in spans) for row in own]
        )
    return found


@functools.cache
def _together(parts: tuple[str, ...]) -> str:
    """Each row is of one part and has the columns of all: only a UNION would need them to be of one type."""
    numbered = (
        f"(SELECT row_number() OVER (), p.* FROM ({sql}) AS p) AS part_{number}"  # noqa: S608
        for number, sql in enumerate(parts)
    )
    return f"SELECT * FROM {functools.reduce('{} FULL JOIN {} ON false'.format, numbered)}"  # noqa: S608


@functools.cache
def _read_of(model: type[Model]) -> tuple[Field[Any, Any], ...]:
    """The columns of a model but for what is encrypted: that is only read to be shown."""
    return tuple(field for field in model._meta.concrete_fields if not isinstance(field, BinaryField))


def _of_row(model: type[Model], alias: str, names: Sequence[str], values: Sequence[Any]) -> Any:
    """None where the values are of no row. No field of these tables converts what the database gives."""
    if all(value is None for value in values):
        return None
    return model.from_db(alias, names, values)


@once
def things_with_facts(
    things: type[T], facts: type[F], before: int, *, site_ids: Collection[int]
) -> list[tuple[T, F | None]]:
    """Each thing that stood on the sites with the facts that held of it, and what the facts name of the
    catalogue. One query."""
    (rows,) = read_together([_held(things, facts)], {"sites": list(site_ids), "before": before})
    return _with_what_they_name(facts, rows)


class EquipmentThen(NamedTuple):
    """What stood on some sites, by name; facts with their models, and an endpoint's with its port."""

    switches: list[tuple[Switch, SwitchFacts | None]]
    endpoints: list[tuple[Endpoint, EndpointFacts | None]]
    outputs: list[Output]
    supplies: list[tuple[Supply, SupplyFacts | None]]
    amplifiers: list[tuple[Amplifier, AmplifierFacts | None]]
    blocks: list[Block]


@once
def equipment_before(before: int, *, site_ids: Collection[int]) -> EquipmentThen:
    """All that stood on the sites before a step, but for the ports of switches. One query."""
    parts = [
        _held(Switch, SwitchFacts),
        _held(Endpoint, EndpointFacts),
        _held(Supply, SupplyFacts),
        _held(Amplifier, AmplifierFacts),
        _stood(Output),
        _stood(Block),
    ]
    asked = {"sites": list(site_ids), "before": before}
    switches, endpoints, supplies, amplifiers, outputs, blocks = read_together(parts, asked)
    return EquipmentThen(
        switches=_with_what_they_name(SwitchFacts, switches),
        endpoints=_with_what_they_name(EndpointFacts, endpoints),
        outputs=[one for (one,) in outputs],
        supplies=_with_what_they_name(SupplyFacts, supplies),
        amplifiers=_with_what_they_name(AmplifierFacts, amplifiers),
        blocks=[one for (one,) in blocks],
    )


@functools.cache
def _held(things: type[Placed], facts: type[DatedFacts]) -> Part:
    """Things with their facts, and what these name. Written out: Django would need two statements, and longer
    for each than PostgreSQL for the answer."""
    (key,) = thing_fields(facts)
    named = _named_by(facts)
    joins = "".join(
        f' LEFT JOIN "{model._meta.db_table}" AS "{name}" ON "{name}".id = held."{name}_id"'
        for name, model in named.items()
    )
    lateral = f"""LEFT JOIN LATERAL (
            SELECT * FROM "{facts._meta.db_table}" AS f
            WHERE f.site_id = thing.site_id AND f."{key}" = thing.id AND f.step < %(before)s
            ORDER BY f.step DESC LIMIT 1
        ) AS held ON true {joins}"""  # noqa: S608 - our own names
    return Part({"thing": things, "held": facts, **named}, _standing_on_sites(things, lateral))


@functools.cache
def _stood(things: type[Placed]) -> Part:
    return Part({"thing": things}, _standing_on_sites(things))


def _standing_on_sites(things: type[Placed], joins: str = "") -> str:
    order = ", ".join(f'"thing"."{name}"' for name in things._meta.ordering or ())
    return f"""FROM "{things._meta.db_table}" AS thing {joins}
        WHERE thing.site_id = ANY(%(sites)s::bigint[]) AND {stood_sql("thing", "%(before)s")}
        {f"ORDER BY {order}" if order else ""}"""


def _with_what_they_name(facts: type[DatedFacts], rows: Iterable[tuple[Any, ...]]) -> list[tuple[Any, Any]]:
    found = []
    for thing, held, *named in rows:
        if held is not None:
            for name, one in zip(_named_by(facts), named, strict=True):
                setattr(held, name, one)
        found.append((thing, held))
    return found


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


@functools.cache
def _named_by(facts: type[DatedFacts]) -> Mapping[str, type[Model]]:
    """By field, the models of what a row of facts is hardly read without: entries of the catalogue, and the
    port that an endpoint is connected to."""
    return {
        field.name: field.related_model
        for field in facts._meta.fields
        if field.is_relation and field.related_model in (DeviceModel, CableType, SwitchPort)
    }
