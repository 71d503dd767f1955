"""What people call the rows that a change set refers to."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from typing import Any, Final

from django.db.models import Model

from api.pages.days import in_sentence
from sites.access.scope import Scope, scoped
from sites.models import Closet, Contact, Contract, Customer, Instrument
from zones.models import PagingSet, Visit
from zones.subjects import NAMED, Kind

Key = tuple[type[Model], int]
"""A model and the id of a row of it."""
Names = Mapping[Key, str]

_KINDS: Final[Mapping[type[Model], Kind]] = {
    **{of.model: of for of in NAMED.values()},
    **{model: Kind(model, "{}") for model in (Closet, Contact, Customer, Instrument, PagingSet)},
    Contract: Kind(Contract, "{}", ("reference",)),
    Visit: Kind(Visit, "visit of {}", ("visited_on",)),
}


def names_of(keys: Iterable[Key], scope: Scope) -> dict[Key, str]:
    """The names of rows in scope, by model and id; of others there is none. At most one query."""
    ids: dict[type[Model], set[int]] = defaultdict(set)
    for model, id_ in keys:
        if model in _KINDS:
            ids[model].add(id_)
    models = list(ids)
    parts: list[Any] = [
        _KINDS[model].rows(str(number), scoped(model, scope).filter(pk__in=sorted(ids[model])))
        for number, model in enumerate(models)
    ]
    if not parts:
        return {}
    return {
        (models[int(number)], id_): in_sentence(_KINDS[models[int(number)]].name(first, second))
        for number, id_, first, second, _closet in parts[0].union(*parts[1:], all=True)
    }


def beside_label(model: type[Model], name: str) -> str:
    """A name without its kind, which the label beside it says: GC-1 of "run GC-1"."""
    kind, _, rest = name.partition(" ")
    return rest if rest and str(model._meta.verbose_name).endswith(kind) else name
