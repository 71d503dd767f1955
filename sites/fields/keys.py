"""Keys of a row: its site, its writer, its step, and the rows that it refers to; and the fields of a model
that a person states."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, ClassVar

from django.db import models

from .values import Fact

LARGEST_ID = 2**63 - 1


class CurrentChangeSet(models.Func):
    """The change set that the transaction has named (``SET LOCAL zonebook.change_set``)."""

    function = "zonebook_change_set"
    template = "%(function)s()"
    output_field = models.BigIntegerField()


class CurrentStep(CurrentChangeSet):
    """The step of that change set."""

    function = "zonebook_step"


class StepField(models.BigIntegerField):
    """A place in the order of a site's changes; where it is not null, by default that of the transaction's
    change set."""

    # A trigger gives a change set its step: the INSERT returns it
    db_returning = True

    def __init__(self, *, null: bool = False) -> None:
        some: dict[str, Any] = {"blank": True} if null else {"db_default": CurrentStep()}
        super().__init__(null=null, editable=False, **some)

    def deconstruct(self) -> Any:
        name, path, args, _ = super().deconstruct()
        return name, path, args, {"null": True} if self.null else {}


class GivenMomentField(models.DateTimeField):
    """A moment that a trigger gives."""

    db_returning = True


class _Key(models.ForeignKey):
    """A foreign key whose usual arguments a migration need not repeat."""

    usual: ClassVar[dict[str, Any]] = {}

    def __init__(self, to: Any, on_delete: Any = models.PROTECT, **kwargs: Any) -> None:
        if kwargs.get("null"):
            kwargs["blank"] = True
        super().__init__(to, on_delete, **{"related_name": "+", **self.usual, **kwargs})

    def deconstruct(self) -> Any:
        name, path, _, kwargs = super().deconstruct()
        to = kwargs.pop("to")
        left_out = {"help_text", "verbose_name", "blank", "on_delete", *(kwargs.keys() & self.usual.keys())}
        kept = {word: value for word, value in kwargs.items() if word not in left_out}
        for word, value in self.usual.items():
            if getattr(self, word, value) != value:
                kept[word] = getattr(self, word)
        if self.remote_field.related_name in (None, "+"):
            kept.pop("related_name", None)
        return name, path, [to], kept


class SiteKey(_Key):
    """A reference to a row of the same site. The database holds it by a key of two columns, (site, row),
    which ``sites.changes.sql_v1.site_keys`` adds."""

    usual: ClassVar[dict[str, Any]] = {"db_constraint": False}

    def __init__(self, to: Any, *, place: bool = False, **kwargs: Any) -> None:
        """``place``: it says where a thing stands, which is not dated. A thing that was moved into a newer
        closet, or recorded before its closet was, stands there with a day before the closet's."""
        super().__init__(to, **kwargs)
        self.place = place


class Ids:
    """Ids to look for, as one parameter. (A list would be looked through for expressions, one by one.)"""

    def __init__(self, ids: Iterable[int]) -> None:
        self.array = f"{{{','.join(map(str, ids))}}}"


@models.ForeignKey.register_lookup
class Among(models.Lookup):
    """``…__among=Ids([1, 2])``: as ``…__in``. Of hundreds, each a parameter of its own, the statement takes
    longer to write than to run."""

    lookup_name = "among"
    prepare_rhs = False

    def as_sql(self, compiler: Any, connection: Any) -> Any:
        key, parameters = self.process_lhs(compiler, connection)
        return f"{key} = ANY(%s::bigint[])", (*parameters, self.rhs.array)


class SharedKey(_Key):
    """A reference to a row that all sites share: of the catalogue."""


class OfSite(_Key):
    """The site that a row belongs to."""

    def __init__(self, to: Any = "sites.Site", **kwargs: Any) -> None:
        super().__init__(to, **kwargs)


class WriterKey(_Key):
    """The change set that last wrote the row, and so its version: the statement triggers refuse any other
    value, which is why the column needs no foreign key of its own."""

    usual: ClassVar[dict[str, Any]] = {"db_constraint": False, "db_index": False, "editable": False}

    def __init__(self, to: Any = "sites.ChangeSet", **kwargs: Any) -> None:
        super().__init__(to, db_default=CurrentChangeSet(), **kwargs)

    def deconstruct(self) -> Any:
        name, path, args, _ = super().deconstruct()
        return name, path, args, {}


def facts_of(model: type[models.Model], *but: str) -> tuple[str, ...]:
    """The fields of a model that a person states: its facts and its references, but for the key, the site,
    and those of ``but``."""
    left_out = {*but, *getattr(model._meta.pk, "field_names", ())}
    return tuple(
        field.name
        for field in model._meta.local_fields
        if isinstance(field, Fact | SiteKey | SharedKey) and not left_out & {field.name, field.attname}
    )


def columns_of(model: type[models.Model], *but: str) -> tuple[str, ...]:
    """The same by the names under which they are shown: a reference by the id of its row."""
    shown = {field.name: field.attname for field in model._meta.local_fields}
    return tuple(shown[name] for name in facts_of(model, *but))
