"""How a write refers to other rows: by ids, which are looked for in the scope of the one who asks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from django.db.models import Model

from sites.access.scope import scoped
from sites.access.selectors import Principal
from sites.changes.parameters import Parameter, Reference, read_parameters

from .fields import LARGEST_ID
from .places import pointer
from .problems import Place

ID_SCHEMA: Final = {"type": "integer", "format": "int64", "minimum": 1}


@dataclass(frozen=True)
class Referring:
    """How a parameter refers to rows of `model`: to one by its id, or to many by a list of ids."""

    model: type[Model]
    many: bool

    @property
    def expected(self) -> str:
        kind = self.model._meta.verbose_name
        return f"a list of ids, each of a {kind}" if self.many else f"the id of a {kind}"

    def schema(self, *, nullable: bool) -> dict[str, Any]:
        if self.many:
            return {"type": "array", "items": ID_SCHEMA}
        return {**ID_SCHEMA, "type": ["integer", "null"]} if nullable else dict(ID_SCHEMA)

    def wrong(self, name: str, parameter: Parameter, value: Any, principal: Principal) -> list[Place]:
        """What is wrong with ids: that they are none, or of what is not there, or not in scope, which is the
        same to the one who asks. (What is there may still be of another site, which the operation itself
        refuses.)"""
        if value is None and parameter.nullable:
            return []
        ids = value if self.many else [value]
        if not isinstance(ids, list) or not all(is_id(one) for one in ids):
            return [Place(f"{name}: expected {self.expected}.", pointer=pointer(name))]
        there = set(scoped(self.model, principal.scope).filter(pk__in=ids).values_list("pk", flat=True))
        kind = self.model._meta.verbose_name
        return [
            Place(
                f"There is no {kind} {one}.",
                code="not_found",
                pointer=pointer(name, number) if self.many else pointer(name),
            )
            for number, one in enumerate(ids)
            if one not in there
        ]

    def site_id_of(self, row_id: int) -> int:
        """The site of a row that was found to be in scope."""
        site_id: int = self.model._default_manager.values_list("site_id", flat=True).get(pk=row_id)
        return site_id


def referring(parameter: Parameter) -> Referring | None:
    """A parameter that makes a reference of an id, or references of ids, refers to rows."""
    one = _read_or_none(parameter, 1)
    if isinstance(one, Reference):
        return Referring(one.model, many=False)
    many = _read_or_none(parameter, [1])
    if isinstance(many, list) and isinstance(many[0], Reference):
        return Referring(many[0].model, many=True)
    return None


def _read_or_none(parameter: Parameter, value: Any) -> Any:
    values, _ = read_parameters({parameter.name: parameter}, {parameter.name: value})
    return values.get(parameter.name)


def is_id(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 0 < value <= LARGEST_ID
