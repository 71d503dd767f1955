"""How things are shown: the same fields everywhere, fewer by `fields`, with related things by `expand` (depth
1)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from django.db.models import QuerySet
from rest_framework import serializers

from . import fields as value_fields
from .serializers import Body, ModelBody


@dataclass(frozen=True)
class Expansion:
    """A related thing that can be shown in full. It is always of the same customer, so it needs no scope of
    its own; `related` and `prefetched` keep the number of queries the same however long the list is.
    `nullable`: there may be none."""

    representation: type[Representation | Furnished]
    related: tuple[str, ...] = ()
    prefetched: tuple[Any, ...] = ()
    many: bool = False
    source: str | None = None
    nullable: bool = False


class Representation(ModelBody):
    """One kind of thing as it is shown. `Meta.fields` names what there is; a foreign key is shown as
    ``…_id``."""

    expansions: ClassVar[Mapping[str, Expansion]] = {}

    def get_fields(self) -> dict[str, Any]:
        shown: dict[str, Any] = super().get_fields()
        if not self._is_asked_for:
            return shown
        chosen = self.context.get("fields")
        if chosen is not None:
            shown = {name: value for name, value in shown.items() if name in chosen or name == "id"}
        for name in self.context.get("expand", ()):
            expansion = self.expansions[name]
            shown[name] = expansion.representation(
                many=expansion.many, read_only=True, source=expansion.source
            )
        return shown

    @property
    def _is_asked_for(self) -> bool:
        """Whether this is the thing asked for, or an item of their list; not something expanded in one."""
        parent: Any = self.parent  # None at the root, whatever the stubs say
        return parent is None or (isinstance(parent, serializers.ListSerializer) and parent.parent is None)

    def build_property_field(
        self, field_name: str, model_class: type[Any]
    ) -> tuple[type[Any], dict[str, Any]]:
        if field_name.endswith("_id"):
            key = model_class._meta.get_field(field_name.removesuffix("_id"))
            return value_fields.Id, {"read_only": True, "allow_null": key.null}
        return super().build_property_field(field_name, model_class)


class Furnished(Body):
    """Shown as it is given: made in one pass by whoever furnishes the thing it belongs to, since there are
    many of it and a field a value would take longer than all else. The fields describe it."""

    def to_representation(self, instance: Any) -> Any:
        return instance


def prepared(
    rows: QuerySet[Any], representation: type[Representation], expand: tuple[str, ...]
) -> QuerySet[Any]:
    """`rows` with what `expand` will show, in a fixed number of queries."""
    for name in expand:
        expansion = representation.expansions[name]
        if expansion.related:
            rows = rows.select_related(*expansion.related)
        if expansion.prefetched:
            rows = rows.prefetch_related(*expansion.prefetched)
    return rows
