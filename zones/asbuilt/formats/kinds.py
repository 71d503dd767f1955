"""What a file kind is made of: columns, what they refer to, and how its rows are dated.

A file has a column for each fact of its model and of its dated facts, in their order; type, unit, bounds,
words, default and description are the field's. What stands here and in the modules beside is what only files
know: other headers, how a reference is spelt, what a blank stands for, and notations such as ``~12`` and
``7-8``.
"""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from typing import Any

from django.db.models import NOT_PROVIDED, Field, ForeignKey, Model

from sites.changes.errors import Problem
from sites.fields import CodeField, Fact, LineField, facts_of
from sites.models import Basis
from zones.asbuilt.cells import Cell, Number, Quantity, Rows, Text, cell_of

FOOT = Decimal("0.3048")

Values = dict[str, Any]


@dataclass(frozen=True)
class Column:
    """One column. ``field``: the attribute it fills, by default its own name; None where it is part of a
    reference or where the kind makes something else of it. ``dated``: it may change with the row's change.
    ``default``: what a blank cell stands for. ``units``: header of the same quantity in another unit, and
    how many metres that is.
    """

    name: str
    cell: Cell
    help: str = ""
    field: str | None = ""
    dated: bool = False
    required: bool = False
    default: Any = None
    units: Mapping[str, Decimal] = dataclasses.field(default_factory=dict)

    @cached_property
    def attribute(self) -> str | None:
        return self.name if self.field == "" else self.field


@dataclass(frozen=True)
class OfField:
    """A column of a field that files spell in their own way: under the name ``name``, in a cell of its own,
    or with other words. ``more``: further attributes of the column."""

    of: str
    name: str = ""
    help: str = ""
    cell: Cell | None = None
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


_KINDS: dict[str, FileKind] = {}
"""The kinds by name, those first that others refer to."""


def file_kind(
    name: str,
    about: str,
    *items: OfField | Reference | Column,
    model: type[Model] | None = None,
    facts: type[Model] | None = None,
    estimates: tuple[Estimated, ...] = (),
    only: tuple[str, ...] = (),
    but: tuple[str, ...] = (),
    **more: Any,
) -> FileKind:
    """A kind of file with a column for each fact of its model and its dated facts.

    ``items``: those that are spelt in another way than their field, and columns of no field, which stand
    first. ``only``: these facts, in this order; ``but``: those without a column.
    """
    made_of = _Columns(items, estimates)
    left_out = {*but, more.get("facts_of", "")}
    for owner in (model, facts):
        if owner is not None:
            made_of.add_facts(owner, only, left_out, dated=owner is facts)
    made = FileKind(
        name=name,
        about=about,
        columns=tuple(made_of.columns.values()),
        references=tuple(made_of.references),
        model=model,
        facts=facts,
        estimates=estimates,
        **more,
    )
    _KINDS[name] = made
    return made


class _Columns:
    """Columns and references while a kind is made."""

    def __init__(
        self, items: tuple[OfField | Reference | Column, ...], estimates: tuple[Estimated, ...]
    ) -> None:
        self._estimates = {name: pair for pair in estimates for name in (pair.value, pair.basis)}
        self.columns: dict[str, Column] = {}
        self.references: list[Reference] = []
        self._spelt: dict[str, list[OfField | Reference]] = defaultdict(list)
        self._seen: set[str] = set()
        for item in items:
            if isinstance(item, Column):
                self.columns[item.name] = item
            else:
                self._spelt[item.of if isinstance(item, OfField) else item.name].append(item)

    def add_facts(self, owner: type[Model], only: tuple[str, ...], but: set[str], *, dated: bool) -> None:
        """A column for each fact of ``owner``, as ``file_kind`` says; what facts repeat of their thing is
        the thing's."""
        fields = {field.name: field for field in owner._meta.concrete_fields}
        stated = {*facts_of(owner)} - but
        for name in only or [one for one in fields if one in stated or one in self._spelt]:
            if name not in self._seen:
                self._seen.add(name)
                for item in self._spelt.get(name) or [OfField(name)]:
                    self._add(item, fields[name], dated=dated)

    def _add(self, item: OfField | Reference, fact: Field[Any, Any], *, dated: bool) -> None:
        if isinstance(item, Reference):
            self._refer(item)
        elif isinstance(fact, ForeignKey) and item.cell is None:
            name = item.name or item.of
            to = next(kind for kind in _KINDS.values() if kind.model is fact.related_model)
            help_ = item.help or str(fact.help_text)
            self._refer(Reference(item.of, to.name, (name,), dated, not fact.null, (help_,)))
        else:
            self._add_column(item, fact, dated=dated)

    def _add_column(self, item: OfField, fact: Any, *, dated: bool) -> None:
        name = item.name or item.of
        cell, help_ = item.cell, item.help or fact.help_text
        default = _default(fact) if isinstance(fact, Fact) else None
        pair = self._estimates.get(name)
        if pair is not None and pair.value == name:
            cell = Quantity(fact)
        elif pair is not None:
            default = pair.default.value
            blank = f"blank: {pair.default.label}, or guessed where marked with ~"
            help_ = f"How {pair.value} came to be known; {blank}."
        required = not (fact.blank or fact.null or fact.has_default())
        made = {
            "help": help_, "field": item.of, "dated": dated, "required": required, "default": default,
            "units": {f"{name[:-2]}_ft": FOOT} if name.endswith("_m") else {},
        }  # fmt: skip
        self.columns[name] = Column(name, cell or cell_of(fact), **{**made, **item.more})

    def _refer(self, reference: Reference) -> None:
        """A reference is written in the columns of the key that it names."""
        self.references.append(reference)
        if all(name in self.columns for name in reference.columns):
            return
        to = _KINDS[reference.to]
        leaves = [column for part in to.key for column in to.columns_of(part)]
        helps = [*reference.help, *[""] * len(leaves)]
        for name, leaf, help_ in zip(reference.columns, leaves, helps, strict=False):
            cell = to.by_name[leaf].cell
            if name not in self.columns:
                self.columns[name] = Column(
                    name,
                    Number(cell.fact) if isinstance(cell, Rows) else cell,
                    help_,
                    field=None,
                    dated=reference.dated,
                    required=reference.required,
                )


def _default(fact: Any) -> Any:
    """What a blank cell stands for: the field's default, else nothing in the field's own way."""
    if fact.default is not NOT_PROVIDED:
        default = fact.get_default()
        return getattr(default, "value", default)
    return "" if isinstance(fact, Fact) and fact.blank and not fact.null else None


@dataclass(frozen=True)
class Estimated:
    """A column with a quantity, and the column that says how it came to be known."""

    value: str
    basis: str
    default: Basis
    # a device's current is its model's where it has none of its own: then a basis may stand without a value
    optional: bool = False


@dataclass(frozen=True, eq=False)
class FileKind:
    """One file. ``key``: the columns or references that tell one thing from another. ``model`` holds the
    thing, ``facts`` its dated facts (``facts_of``: their key to it); ``placed``: it begins and ends at
    steps; ``recorded``: its rows name the change set that wrote them. ``expand``: one row that stands for
    several. ``check``: what a row's cells contradict, by columns or fields. ``fill``: from cells to
    attributes where one does not simply become the other, ``show`` back.
    """

    name: str
    about: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
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

    @cached_property
    def all_columns(self) -> tuple[Column, ...]:
        """Every column in the order of an exported header: the key, the change, the facts, what ended or
        revised.
        """
        named = {column.name: column for column in self.columns}
        heads = [SITE] if self.sited else []
        heads += [named[name] for part in self.key for name in self.columns_of(part) if name in named]
        rest = [column for column in self.columns if column not in heads]
        if self.recorded:
            change = CHANGE if self.placed or self.facts else WRITTEN_AT
            heads.append(dataclasses.replace(change, help=self.change_help) if self.change_help else change)
        rest += [ENDS] if self.placed else []
        rest += [REVISED_BY] if self.facts else []
        rest += [DESCRIBED_BY] if self.placed or (self.facts and self.model) else []
        return (*heads, *rest)

    @cached_property
    def by_name(self) -> dict[str, Column]:
        return {column.name: column for column in self.all_columns}

    @cached_property
    def headers(self) -> dict[str, Column]:
        """Every header that is taken, those of other units included."""
        found = dict(self.by_name)
        for column in self.all_columns:
            found |= dict.fromkeys(column.units, column)
        return found

    @cached_property
    def required(self) -> tuple[Column, ...]:
        """What a new thing needs."""
        return tuple(column for column in self.all_columns if column.required)

    @cached_property
    def always_required(self) -> tuple[Column, ...]:
        """What every row gives. A thing with dated facts may have several rows; what is not dated stands on
        its first.
        """
        key = [name for part in self.key for name in self.columns_of(part)]
        return tuple(
            column
            for column in self.required
            if (self.facts is None or column.dated or column is SITE or column.name in key)
        )

    @cached_property
    def key_attributes(self) -> tuple[str, ...]:
        """The attributes of the model that the key is held in, part by part."""
        found = []
        for part in self.key:
            reference = self.reference(part)
            found.append(reference.attribute if reference else self.by_name[part].attribute or part)
        return tuple(found)

    @cached_property
    def own(self) -> tuple[str, ...]:
        """The attributes of the thing's own row that are neither its key nor dated."""
        return tuple(name for name in self._attributes(dated=False) if name not in self.key_attributes)

    @cached_property
    def dated(self) -> tuple[str, ...]:
        """The attributes of a thing's dated facts."""
        return (*self._attributes(dated=True), *self.extra)

    @cached_property
    def dated_columns(self) -> tuple[tuple[str, str, Any], ...]:
        """The columns that hold a dated fact by themselves: name, attribute, and what a blank stands for."""
        return tuple(
            (c.name, c.attribute, c.default) for c in self.columns if c.dated and c.attribute is not None
        )

    @cached_property
    def dated_references(self) -> tuple[Reference, ...]:
        return tuple(reference for reference in self.references if reference.dated)

    @cached_property
    def own_columns(self) -> tuple[tuple[str, str, Any], ...]:
        """The same of the columns of its own row that are not its key."""
        return tuple(
            (c.name, c.attribute, c.default)
            for c in self.columns
            if not c.dated and c.attribute is not None and c.attribute in self.own
        )

    @cached_property
    def own_references(self) -> tuple[Reference, ...]:
        return tuple(ref for ref in self.references if not ref.dated and ref.attribute in self.own)

    def _attributes(self, *, dated: bool) -> list[str]:
        columns = [c.attribute for c in self.columns if c.dated is dated and c.attribute is not None]
        return columns + [ref.attribute for ref in self.references if ref.dated is dated]

    @cached_property
    def _references_by_attribute(self) -> dict[str, Reference]:
        return {reference.attribute: reference for reference in self.references}

    def reference_in(self, attribute: str) -> Reference | None:
        """The reference that an attribute holds, if it holds one."""
        return self._references_by_attribute.get(attribute)

    def column_for(self, name: str) -> str:
        """The header under which a field or a reference of the record stands, for complaints."""
        reference = self.reference(name.removesuffix("_id"))
        if reference is not None:
            return reference.columns[-1]
        if name in self.extra:
            return "count"
        return next((c.name for c in self.columns if c.attribute == name), name)

    def reference(self, name: str) -> Reference | None:
        return self._references_by_name.get(name)

    @cached_property
    def _references_by_name(self) -> dict[str, Reference]:
        return {reference.name: reference for reference in self.references}

    def columns_of(self, part: str) -> tuple[str, ...]:
        """The columns that a part of the key is written in."""
        reference = self.reference(part)
        return reference.columns if reference else (part,)

    @property
    def file(self) -> str:
        return f"{self.name}.csv"


KEY = Text(LineField(max_length=80))
SITE = Column("site", Text(CodeField(max_length=60)), "The site's code.", field=None, required=True)
CHANGE = Column(
    "change",
    KEY,
    "Key of the change from which this row holds. Blank: the change from which the thing stands in the "
    "record, or, for a new thing, the site's first change in changes.csv.",
    field=None,
)
WRITTEN_AT = Column(
    "change",
    KEY,
    "Key of the change that wrote this row. Blank: the site's first change in changes.csv. To edit a row "
    "that is in the record, name a new change.",
    field=None,
)
ENDS = Column("ends", KEY, "Key of the change at which the thing is taken out.", field=None)
REVISED_BY = Column(
    "revised_by",
    KEY,
    "Key of the record correction that last rewrote this row; blank where nobody has.",
    field=None,
)
DESCRIBED_BY = Column(
    "described_by",
    KEY,
    "Key of the change that last rewrote what is not dated; blank where nobody has but who ended it. First "
    "row of a thing only.",
    field=None,
)


def together(values: Values, first: str, second: str) -> Iterator[Problem]:
    """Two columns that are both given or both blank."""
    if (values.get(first) is None) != (values.get(second) is None):
        missing = first if values.get(first) is None else second
        yield Problem(f"{first} and {second} go together: give both or neither", "required", f"/{missing}")
