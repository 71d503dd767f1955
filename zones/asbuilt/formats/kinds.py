"""What a file kind is made of: columns, what they refer to, and how its rows are dated.

A file has a column for each fact of its model and of its dated facts, in their order; type, unit, bounds,
words, default and description are the field's. What stands here and in the modules beside is what only files
know: other headers, how a reference is spelt, what a blank stands for, and notations such as ``~12`` and
``7-8``.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import Any, cast

from django.db.models import ForeignKey, Model

from sites.changes.errors import Problem
from sites.fields import CodeField, Fact, LineField, facts_of
from sites.models.dated import Basis, DatedFacts, Placed, Recorded, thing_fields
from zones.asbuilt.cells import Cell, Number, Quantity, Rows, Text, cell_of

FOOT = Decimal("0.3048")

Values = dict[str, Any]


@dataclass(frozen=True)
class Column:
    """One column. ``attribute``: what it fills; None where it is part of a reference or where the kind makes
    something else of it. ``dated``: it may change with the row's change. ``default``: what a blank cell
    stands for. ``exported``: False where files bring it in and never take it out. ``units``: header of the
    same quantity in another unit, and how many metres that is.
    """

    name: str
    cell: Cell
    help: str = ""
    attribute: str | None = None
    dated: bool = False
    required: bool = False
    default: Any = None
    exported: bool = True
    units: Mapping[str, Decimal] = dataclasses.field(default_factory=dict)


@dataclass(frozen=True)
class OfField:
    """A column of a field that files spell in their own way: under the name ``name``, in a cell of its own
    (or a kind of cell, made of the field), or with other words. ``more``: further attributes of the column.
    """

    of: str
    name: str = ""
    help: str = ""
    cell: Cell | Callable[[Any], Cell] | None = None
    more: Mapping[str, Any] = dataclasses.field(default_factory=dict)


@dataclass(frozen=True)
class Reference:
    """A thing named by the cells of ``columns``: the key of the kind ``to``, within the row's site.

    ``help``: of each of its columns.
    """

    name: str
    to: str
    columns: tuple[str, ...]
    dated: bool = False
    required: bool = False
    help: tuple[str, ...] = ()

    @cached_property
    def attribute(self) -> str:
        return f"{self.name}_id"

    @cached_property
    def parts(self) -> tuple[str | Reference, ...]:
        """The key of the kind that it names, in the columns of the file that names it."""
        columns = iter(self.columns)
        return tuple(
            dataclasses.replace(part, columns=tuple(itertools.islice(columns, len(part.columns))))
            if isinstance(part, Reference)
            else next(columns)
            for part in _KINDS[self.to].parts
        )


_KINDS: dict[str, FileKind] = {}
"""The kinds by name, those first that others refer to."""


def kind_named(name: str) -> FileKind:
    """The kind of this name."""
    return _KINDS[name]


def file_kind(
    name: str,
    about: str,
    *items: OfField | Reference | Column,
    model: type[Model] | None = None,
    facts: type[DatedFacts] | None = None,
    estimates: tuple[Estimated, ...] = (),
    only: tuple[str, ...] = (),
    but: tuple[str, ...] = (),
    **more: Any,
) -> FileKind:
    """A kind of file with a column for each fact of its model and its dated facts.

    ``items``: those that are spelt in another way than their field, and columns of no field, which stand
    first. ``only``: these facts, in this order; ``but``: those without a column.
    """
    columns = {item.name: item for item in items if isinstance(item, Column)}
    references: list[Reference] = []
    spelt: dict[str, list[OfField | Reference]] = defaultdict(list)
    for item in items:
        if not isinstance(item, Column):
            spelt[item.of if isinstance(item, OfField) else item.name].append(item)
    pairs = {column: pair for pair in estimates for column in (pair.value, pair.basis)}
    in_record = issubclass(cast(type[Model], model or facts), Recorded)
    placed = model is not None and issubclass(model, Placed)
    facts_of_ = thing_fields(facts)[0].removesuffix("_id") if facts is not None else ""
    more = {"sited": in_record, "recorded": in_record, **more}
    left_out = {*but, facts_of_}
    seen: set[str] = set()
    for owner in filter(None, (model, facts)):
        fields = {field.name: field for field in owner._meta.concrete_fields}
        stated = {*facts_of(owner)} - left_out
        for fact in only or [one for one in fields if one in stated or one in spelt]:
            if fact in seen:  # what facts repeat of their thing is the thing's
                continue
            seen.add(fact)
            for item in spelt.get(fact) or [OfField(fact)]:
                part = _part(item, fields[fact], pairs, dated=owner is facts)
                if isinstance(part, Column):
                    columns[part.name] = part
                    continue
                references.append(part)
                if not columns.keys() >= {*part.columns}:
                    for column in _columns(part):
                        columns.setdefault(column.name, column)
    for column in columns.values():
        if isinstance(column.cell, Rows):
            more.setdefault("expand", functools.partial(_one_each, column.name))
    return FileKind(
        name=name,
        about=about,
        columns=tuple(columns.values()),
        references=tuple(references),
        model=model,
        facts=facts,
        facts_of=facts_of_,
        placed=placed,
        estimates=estimates,
        **more,
    )


def _one_each(column: str, values: Values) -> list[Values]:
    """One record for each number that a column gives."""
    return [{**values, column: number} for number in values[column]]


def _part(
    item: OfField | Reference, fact: Any, pairs: Mapping[str, Estimated], *, dated: bool
) -> Column | Reference:
    """The column, or the reference, in which ``fact`` is written."""
    if isinstance(item, Reference):
        return item
    name, help_ = item.name or item.of, item.help or str(fact.help_text)
    if isinstance(fact, ForeignKey) and item.cell is None:
        to = next(kind for kind in _KINDS.values() if kind.model is fact.related_model)
        return Reference(item.of, to.name, (name,), dated, not fact.null, (help_,))
    cell = item.cell if isinstance(item.cell, Cell) else (item.cell or cell_of)(fact)
    default = _default(fact)
    pair = pairs.get(name)
    if pair is not None and pair.value == name:
        cell = Quantity(fact)
    elif pair is not None:
        default = pair.default.value
        blank = f"blank: {pair.default.label}, or guessed where marked with ~"
        help_ = f"How {pair.value} came to be known; {blank}."
    made = {
        "help": help_, "attribute": item.of, "dated": dated, "default": default,
        "required": not (fact.blank or fact.null or fact.has_default()),
        "units": {f"{name[:-2]}_ft": FOOT} if name.endswith("_m") else {},
    }  # fmt: skip
    return Column(name, cell, **{**made, **item.more})


def _default(fact: Any) -> Any:
    """What a blank cell stands for: the field's default, else nothing in the field's own way."""
    if not isinstance(fact, Fact):
        return None
    if fact.has_default():
        default = fact.get_default()
        return getattr(default, "value", default)
    return "" if fact.blank and not fact.null else None


def _columns(reference: Reference) -> Iterator[Column]:
    """A reference is written in columns like those of the key that it names."""
    to = _KINDS[reference.to]
    helps = itertools.chain(reference.help, itertools.repeat(""))
    for name, leaf, help_ in zip(reference.columns, to.key_columns, helps, strict=False):
        cell = to.by_name[leaf].cell
        if isinstance(cell, Rows):
            cell = Number(cell.fact)
        yield Column(name, cell, help_, dated=reference.dated, required=reference.required)


@dataclass(frozen=True)
class Estimated:
    """A column with a quantity, and the column that says how it came to be known."""

    value: str
    basis: str
    default: Basis
    # a device's current is its model's where it has none of its own: then a basis may stand without a value
    optional: bool = False


Sources = Mapping[str, Column | Reference | None]
"""By attribute, what fills it; None where only the kind's ``fill`` does."""


@dataclass(frozen=True, eq=False)
class FileKind:
    """One file. ``key``: the columns or references that identify a thing. ``model`` holds the thing,
    ``facts`` its dated facts (``facts_of``: their key to it); ``placed``: it begins and ends at steps;
    ``recorded``: its rows name the change set that wrote them. ``expand``: one row that stands for several
    (of a column that may hold a range: one for each of its numbers).
    ``check``: what a row's cells contradict, by columns or fields. ``fill``: from cells to attributes where
    one does not simply become the other, ``show`` back.
    """

    name: str
    about: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ("name",)
    model: type[Model] | None = None
    facts: type[Model] | None = None
    facts_of: str = ""
    references: tuple[Reference, ...] = ()
    estimates: tuple[Estimated, ...] = ()
    sited: bool = True
    recorded: bool = True
    placed: bool = False
    change_help: str = ""
    expand: Callable[[Values], list[Values]] | None = None
    check: Callable[[Values], Iterable[Problem]] | None = None
    extra: tuple[str, ...] = ()  # dated attributes that only ``fill`` knows
    fill: Callable[[Values, Values], None] | None = None
    show: Callable[[Values], Values] | None = None
    former: Mapping[str, Mapping[str, str]] = dataclasses.field(default_factory=dict)
    """By the name of its file in a release before, headers of that file that are called otherwise now."""

    def __post_init__(self) -> None:
        _KINDS[self.name] = self

    @property
    def file(self) -> str:
        return f"{self.name}.csv"

    def __reduce__(self) -> tuple[Callable[[str], FileKind], tuple[str]]:
        # There is one of each: what another process says of a kind is said of this one
        return kind_named, (self.name,)

    # -- columns

    @cached_property
    def all_columns(self) -> tuple[Column, ...]:
        """Every column in the order of an exported header: the key, the change, the facts, what ended or
        revised.
        """
        named = {column.name: column for column in self.columns}
        heads = [SITE] if self.sited else []
        heads += [named[name] for name in self.key_columns if name in named]
        rest = [column for column in self.columns if column not in heads]
        if self.recorded:
            change = CHANGE if self.placed or self.facts else WRITTEN_AT
            heads.append(dataclasses.replace(change, help=self.change_help or change.help))
        rest += [ENDS] if self.placed else []
        rest += [REVISED_BY] if self.facts else []
        rest += [DESCRIBED_BY] if self.placed or (self.facts and self.model) else []
        return (*heads, *rest)

    @cached_property
    def exported_columns(self) -> tuple[Column, ...]:
        return tuple(column for column in self.all_columns if column.exported)

    @cached_property
    def by_name(self) -> dict[str, Column]:
        return {column.name: column for column in self.all_columns}

    @cached_property
    def headers(self) -> dict[str, Column]:
        """Every header that is taken, those of other units included."""
        other = {header: column for column in self.all_columns for header in column.units}
        return self.by_name | other

    @cached_property
    def required(self) -> tuple[Column, ...]:
        """What a new thing needs."""
        return tuple(column for column in self.all_columns if column.required)

    @cached_property
    def always_required(self) -> tuple[Column, ...]:
        """What every row gives. A thing with dated facts may have several rows; what is not dated stands on
        its first.
        """
        return tuple(
            column
            for column in self.required
            if self.facts is None or column.dated or column is SITE or column.name in self.key_columns
        )

    def column_for(self, name: str) -> str:
        """The header under which a field or a reference of the record stands, for complaints."""
        reference = self.reference(name.removesuffix("_id"))
        if reference is not None:
            return reference.columns[-1]
        if name in self.extra:
            return "count"
        return next((c.name for c in self.columns if c.attribute == name), name)

    # -- keys and attributes

    def reference(self, name: str) -> Reference | None:
        return next((reference for reference in self.references if reference.name == name), None)

    @cached_property
    def parts(self) -> tuple[str | Reference, ...]:
        """The parts of the key: columns, and references."""
        return tuple(self.reference(part) or part for part in self.key)

    @cached_property
    def key_columns(self) -> tuple[str, ...]:
        """The columns that the key is written in."""
        columns = (part.columns if isinstance(part, Reference) else (part,) for part in self.parts)
        return tuple(itertools.chain(*columns))

    @cached_property
    def key_sources(self) -> Sources:
        """By attribute of the model, the part of the key that it holds."""
        parts = (part if isinstance(part, Reference) else self.by_name[part] for part in self.parts)
        return {part.attribute or part.name: part for part in parts}

    @cached_property
    def own(self) -> Sources:
        """The attributes of the thing's own row that are neither its key nor dated."""
        filled = self._filled(dated=False).items()
        return {name: source for name, source in filled if name not in self.key_sources}

    @cached_property
    def dated(self) -> Sources:
        """The attributes of a thing's dated facts."""
        return {**self._filled(dated=True), **dict.fromkeys(self.extra)}

    def _filled(self, *, dated: bool) -> Sources:
        sources: Iterable[Column | Reference] = (*self.columns, *self.references)
        return {one.attribute: one for one in sources if one.dated is dated and one.attribute is not None}

    @cached_property
    def own_blank(self) -> Values:
        """What blank cells say of ``own``."""
        return {name: getattr(source, "default", None) for name, source in self.own.items()}

    @cached_property
    def dated_blank(self) -> Values:
        """What blank cells say of ``dated``."""
        return {name: getattr(source, "default", None) for name, source in self.dated.items()}


KEY = Text(LineField(max_length=80))
SITE = Column("site", Text(CodeField(max_length=60)), "The site's code.", required=True)
CHANGE = Column(
    "change",
    KEY,
    "Key of the change from which this row holds. Blank: the change from which the thing stands in the "
    "record, or, for a new thing, the site's first change in changes.csv.",
)
WRITTEN_AT = Column(
    "change",
    KEY,
    "Key of the change that wrote this row. Blank: the site's first change in changes.csv. To edit a row "
    "that is in the record, name a new change.",
)
ENDS = Column("ends", KEY, "Key of the change at which the thing is taken out.")
REVISED_BY = Column(
    "revised_by",
    KEY,
    "Key of the record correction that last rewrote this row; blank: none.",
)
DESCRIBED_BY = Column(
    "described_by",
    KEY,
    "Key of the last change that corrected the undated values; blank: none, or the change that ended the "
    "thing. First row of a thing only.",
)


def together(values: Values, first: str, second: str) -> Iterator[Problem]:
    """Two columns that are both given or both blank."""
    if (values.get(first) is None) != (values.get(second) is None):
        missing = first if values.get(first) is None else second
        yield Problem(f"{first} and {second} go together: give both or neither", "required", f"/{missing}")
