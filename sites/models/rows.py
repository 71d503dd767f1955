"""What is read many at a time: rows whose way from the database is short."""

from __future__ import annotations

import functools
from collections import namedtuple
from collections.abc import Callable, Collection, Iterator
from operator import attrgetter
from typing import Any, Self

from django.db import models
from django.db.models.base import ModelState
from django.db.models.query import ModelIterable


class Row(models.Model):
    class Meta:
        abstract = True

    @classmethod
    def from_db(
        cls, db: str | None, field_names: Collection[str], values: Collection[Any], **options: Any
    ) -> Self:
        """A row that was read, without the steps that only a new one needs: they take most of the time in
        which a long list is read."""
        if options:
            return super().from_db(db, field_names, values, **options)
        row = cls.__new__(cls)
        row.__dict__.update(zip(field_names, values, strict=True))
        state = row.__dict__["_state"] = ModelState()
        state.adding, state.db = False, db
        return row


# --- rows of a list -----------------------------------------------------------------------------------------


def as_listed(rows: models.QuerySet[Any]) -> models.QuerySet[Any]:
    """The rows with their columns and annotations by name, and nothing else of their model; other attributes
    can be set on them. They are made in a tenth of the time. What comes with things it refers to, or without
    some of its columns, stays as it is."""
    query = rows.query
    if query.select_related or query.deferred_loading[0] or rows._prefetch_related_lookups:  # type: ignore[attr-defined]  # noqa: SLF001
        return rows
    listed = rows.all()
    listed._iterable_class = _Listed  # noqa: SLF001
    return listed


class _Listed(ModelIterable):
    def __iter__(self) -> Iterator[Any]:
        query = self.queryset.query
        make = listed_row(self.queryset.model, *query.annotation_select)
        compiler = query.get_compiler(self.queryset.db)
        return map(make, compiler.results_iter(tuple_expected=True))


@functools.cache
def listed_row(model: type[models.Model], *annotations: str) -> Callable[[Collection[Any]], Any]:
    """What makes such a row of the values of all its columns and annotations."""
    names = [field.attname for field in model._meta.concrete_fields]
    columns: Any = namedtuple(f"{model.__name__}Listed", [*names, *annotations])  # type: ignore[misc]
    key = model._meta.pk.attname
    # A class of its own, so that attributes can be set on its rows
    kind = type(columns.__name__, (columns,), {"pk": property(attrgetter(key))} if key in names else {})
    return functools.partial(tuple.__new__, kind)
