"""The kinds of things that figures, findings and sentences are about: one registry.

Of each kind it says which model it is, what people call one of them, which closet it stands in and where it
is in the API. Names and closets are read here: one query, however many things of however many kinds.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final, NamedTuple

from django.db import connection
from django.db.models import (
    BigIntegerField,
    BooleanField,
    Case,
    F,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
    TextField,
    Value,
    When,
)
from django.db.models.expressions import RawSQL
from django.db.models.functions import Cast

from sites.models import (
    Amplifier,
    Block,
    CableType,
    Closet,
    DeviceModel,
    Endpoint,
    Output,
    Site,
    Supply,
    Switch,
    SwitchPort,
)
from sites.selectors import stood_sql
from zones.electrical.estimates import Estimates
from zones.electrical.proofs import DueTest, Since
from zones.electrical.subjects import Subject, SubjectKind
from zones.limits.limit import Detail
from zones.models import Point, PointFacts, Run, Test, Zone

Key = tuple[str, int]
"""A word of ``NAMED``, and the id of one of those things."""
_IDS: Final[list[int]] = []
"""Stands in a statement for the ids that are asked for."""


@dataclass(frozen=True)
class Kind:
    """model: whose rows they are. words: the fields, one or two, that ``say`` makes a name of. closet: the
    lookup that leads to the id of the closet; blank: in none. resource: of the API."""

    model: type[Any]
    say: str
    words: tuple[Any, ...] = ("name",)
    closet: str = ""
    resource: str = ""

    def _is_asked_for(self) -> RawSQL:
        return RawSQL(f'"{self.model._meta.db_table}".id = ANY(%s)', [_IDS], BooleanField())  # noqa: S611 - no input

    def rows(self, word: str, among: QuerySet[Any, Any] | None = None) -> QuerySet[Any, Any]:
        """Word, id, words of the name and closet, of some rows; by default of those whose ids are put in
        place of ``_IDS``."""
        first, second = (*self.words, Value(""))[:2]
        closet = F(self.closet) if self.closet else Cast(Value(None), BigIntegerField())
        rows: QuerySet[Any, Any] = (
            (self.model._default_manager.filter(self._is_asked_for()) if among is None else among)
            .order_by()
            .annotate(
                kind_=Value(word, TextField()),
                first_=Cast(first, TextField()),
                second_=Cast(second, TextField()),
                closet_=closet,
            )
        )
        return rows.values_list("kind_", "pk", "first_", "second_", "closet_")

    def name(self, first: str, second: str | None) -> str:
        return self.say.format(*(first, second or "")[: len(self.words)]).removesuffix(" ()")


SUBJECTS: Final[dict[SubjectKind, Kind]] = {
    SubjectKind.RUN: Kind(Run, "run {}", closet="block__closet_id", resource="runs"),
    SubjectKind.OUTPUT: Kind(
        Output,
        "output {} of {}",
        ("number", "endpoint__name"),
        closet="endpoint__closet_id",
        resource="outputs",
    ),
    SubjectKind.SUPPLY: Kind(Supply, "supply {}", closet="closet_id", resource="supplies"),
    SubjectKind.AMPLIFIER: Kind(Amplifier, "amplifier {}", closet="closet_id", resource="amplifiers"),
    SubjectKind.SWITCH: Kind(Switch, "switch {}", closet="closet_id", resource="switches"),
    SubjectKind.PORT: Kind(
        SwitchPort,
        "port {} of {}",
        ("number", "switch__name"),
        closet="switch__closet_id",
        resource="switch-ports",
    ),
    SubjectKind.ENDPOINT: Kind(Endpoint, "endpoint {}", closet="closet_id", resource="endpoints"),
    SubjectKind.BLOCK: Kind(Block, "block {}", closet="closet_id", resource="blocks"),
    SubjectKind.SITE: Kind(Site, "{}", resource="sites"),
}


def called(kind: SubjectKind, *words: object) -> str:
    """What people call a thing whose words were read already: ``output 2 of GW-1``."""
    return SUBJECTS[kind].say.format(*words)


_PLACE: Final = PointFacts._default_manager.filter(point=OuterRef("pk")).order_by("-step").values("place")[:1]
"""The last recorded place of a point."""
NAMED: Final[dict[str, Kind]] = {
    **{kind.word: of for kind, of in SUBJECTS.items()},
    "zone": Kind(Zone, "zone {}", resource="zones"),
    "point": Kind(Point, "{}", resource="points"),
    "model": Kind(DeviceModel, "{}", resource="catalogue/devices"),
    "cable": Kind(CableType, "{}"),
    # what the detail of a figure points at
    f"at {Detail.POINT}": Kind(Point, "{} ({})", ("name", Subquery(_PLACE))),
    f"at {Detail.ENDPOINT}": Kind(Endpoint, "{}"),
    f"at {Detail.READING}": Kind(Test, "reading of {}", ("taken_on",)),
}
"""Everything that sentences name: the subjects and more."""
_LOOKED_UP: Final = {detail for detail in Detail if f"at {detail}" in NAMED}
"""Of the other details the number itself is said."""


@dataclass(frozen=True)
class Named:
    """What people call a thing, and the closet that it stands in."""

    name: str
    closet_id: int | None = None


def look_up(keys: Iterable[Key]) -> dict[Key, Named]:
    """The names of some things, by word and id; missing things are left out. At most one query."""
    wanted: dict[str, set[int]] = defaultdict(set)
    for word, id_ in keys:
        wanted[word].add(id_)
    parts = [(*_statement(word), sorted(ids)) for word, ids in wanted.items() if word in NAMED]
    if not parts:
        return {}
    with connection.cursor() as cursor:
        cursor.execute(
            " UNION ALL ".join(statement for statement, _, _ in parts),
            [ids if given is _IDS else given for _, parameters, ids in parts for given in parameters],
        )
        return {
            (word, id_): Named(NAMED[word].name(first, second), closet_id)
            for word, id_, first, second, closet_id in cursor
        }


@cache
def _statement(word: str) -> tuple[str, tuple[Any, ...]]:
    """The statement that reads things of a kind, and its parameters: made once, since that takes longer in
    Django than the answer in PostgreSQL."""
    statement, parameters = NAMED[word].rows(word).query.sql_with_params()
    return f"({statement})", parameters


class Places(NamedTuple):
    """Where each estimate of a figure is decided, as people call it; blank: nowhere in particular."""

    low: str
    likely: str
    high: str


NOWHERE: Final = Places("", "", "")


class Names:
    """The names of some subjects, and of what the details of figures point at. At most one query for what is
    given, and one for all that is asked before the first name is needed."""

    def __init__(
        self,
        subjects: Iterable[Subject] = (),
        places: Iterable[tuple[Detail | None, int | None]] = (),
        others: Iterable[Key] = (),
    ) -> None:
        self._read: dict[Key, Named] = {}
        self._texts: dict[Key, str] = {}
        self._asked: list[Key] = []
        self.ask(subjects, places, others)
        self._look_up()

    def ask(
        self,
        subjects: Iterable[Subject] = (),
        places: Iterable[tuple[Detail | None, int | None]] = (),
        others: Iterable[Key] = (),
    ) -> None:
        """To be read when the next name is needed: the parts of a page ask one after the other."""
        keys = [_key_at(detail, id_) for detail, id_ in places if detail in _LOOKED_UP and id_ is not None]
        self._asked += [*map(key_of, subjects), *keys, *others]

    @property
    def _named(self) -> dict[Key, Named]:
        self._look_up()
        return self._read

    def _look_up(self) -> None:
        if self._asked:
            found = look_up(self._asked)
            self._read |= found
            self._texts |= {key: named.name for key, named in found.items()}
            self._asked = []

    @property
    def texts(self) -> Mapping[Key, str]:
        """The names by key; missing things are left out."""
        self._look_up()
        return self._texts

    def of(self, subject: Subject) -> str:
        """``run R3``, ``output 2 of GW 1``; the kind and id of one that is not there."""
        word, id_ = key = key_of(subject)
        return self._named[key].name if key in self._named else f"{word} {id_}"

    def closet_of(self, subject: Subject) -> int | None:
        """The closet that it stands in; None: in none."""
        named = self._named.get(key_of(subject))
        return None if named is None else named.closet_id

    def places(self, detail: Detail | None, estimates: Estimates) -> Places:
        """Where each estimate is decided."""
        return Places(*(self.place(detail, one.detail) for one in estimates))

    def place(self, detail: Detail | None, id_: int | None) -> str:
        """``P12 (gangway)``, ``row 7``, ``NS 3``, ``reading of 2026-03-02``; blank: nowhere in particular."""
        if detail is None or id_ is None:
            return ""
        if detail is Detail.ROW:
            return f"row {id_}"
        if detail is Detail.DUE_TEST:
            return due_in_words(DueTest.of_detail(id_))
        named = self._named.get(_key_at(detail, id_))
        return "" if named is None else named.name


def due_in_words(due: DueTest) -> str:
    """When a run was last proven and was to be tested again, as the rest of a sentence about it."""
    day = dt.date.fromordinal(due.proven_on) if due.proven_on else None
    last = {
        Since.NOTHING: "has no complete proof",
        Since.PROOF: f"was last proven on {day}",
        Since.SURVEY: f"was surveyed on {day} and not proven since",
    }[due.since]
    return f"{last}; its test was due on {dt.date.fromordinal(due.due_on)}"


def key_of(subject: Subject) -> Key:
    kind, id_ = subject
    return SubjectKind(kind).word, id_


def _key_at(detail: Detail, id_: int) -> Key:
    return f"at {detail}", id_


def in_closet_sql(model: type[Any], path: str) -> str:
    """The condition that a row of a model stands in the closet `%(closet)s` of the site `%(site)s`, as SQL.
    path: the lookup that leads to the id of its closet."""
    name, _, rest = path.partition("__")
    field = model._meta.get_field(name)
    if not rest:
        return f'"{field.column}" = %(closet)s'
    to = field.related_model
    inner = in_closet_sql(to, rest)
    return f'"{field.column}" IN (SELECT id FROM "{to._meta.db_table}" WHERE site_id = %(site)s AND {inner})'  # noqa: S608


# Written out, since Django takes longer to put it together than PostgreSQL to answer it
_STOOD_IN: Final = " UNION ALL ".join(
    f"""SELECT {int(kind)}, id FROM "{of.model._meta.db_table}" AS thing
        WHERE site_id = %(site)s AND {in_closet_sql(of.model, of.closet)}
            AND {stood_sql("thing", "%(before)s")}"""  # noqa: S608
    for kind, of in SUBJECTS.items()
    if of.closet
)


def subjects_in(closet: Closet, before: int) -> set[Subject]:
    """What stood in a closet before a step. One query."""
    with connection.cursor() as cursor:
        cursor.execute(_STOOD_IN, {"site": closet.site_id, "closet": closet.pk, "before": before})
        return {(SubjectKind(kind), id_) for kind, id_ in cursor.fetchall()}


def in_closet(closet: Closet) -> Q:
    """The condition that a row's subject (``subject_kind``, ``subject_id``) stands in a closet."""
    wanted = Q(pk__in=[])
    for kind, of in SUBJECTS.items():
        if of.closet:
            rows = of.model._default_manager.filter(site_id=closet.site_id, **{of.closet: closet.pk})
            wanted |= Q(subject_kind=int(kind), subject_id__in=rows.values("pk"))
    return wanted


def closet_of_subject() -> Case:
    """The id of the closet in which the subject of a row (``site_id``, ``subject_kind``, ``subject_id``)
    stands; null: in none."""
    return Case(
        *(
            When(subject_kind=int(kind), then=Subquery(_at(of.model).values(of.closet)))
            for kind, of in SUBJECTS.items()
            if of.closet
        ),
        output_field=BigIntegerField(),
    )


def _at(model: type[Any]) -> QuerySet[Any, Any]:
    rows: QuerySet[Any, Any] = model._default_manager.filter(
        site_id=OuterRef("site_id"), pk=OuterRef("subject_id")
    )
    return rows.order_by()


def path_of(subject: Subject) -> str:
    """Where a subject is in the API, below its root."""
    kind, id_ = subject
    return f"{SUBJECTS[SubjectKind(kind)].resource}/{id_}"
