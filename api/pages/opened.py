"""What someone opened last: kind and id, kept with their session. Names are read again each time, so what is
no longer in their scope is not there either."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from django.db.models import Model
from django.http import HttpRequest
from django.urls import reverse

from sites.access.scope import Scope, scoped
from sites.models import Amplifier, Block, Closet, Endpoint, Site, Supply, Switch
from zones.models import Run, Zone

MOST: Final = 8
_KEY: Final = "opened"
_KINDS: Final[dict[str, type[Model]]] = {
    model._meta.model_name or "": model
    for model in (Site, Closet, Zone, Run, Block, Switch, Supply, Amplifier, Endpoint)
}
"""By the name of its page. A thing of a site is shown with the site's name."""


@dataclass(frozen=True)
class Opened:
    path: str
    name: str
    where: str


def note(request: HttpRequest, model: type[Model], row_id: int) -> None:
    """Put it first, where it is a thing that stands. Nothing is written where it was first already."""
    kind = model._meta.model_name
    if kind not in _KINDS:
        return
    before: list[list[Any]] = request.session.get(_KEY, [])
    if before[:1] != [[kind, row_id]]:
        request.session[_KEY] = [[kind, row_id], *(one for one in before if one != [kind, row_id])][:MOST]


def last_opened(request: HttpRequest, scope: Scope) -> list[Opened]:
    """The last first; a query a kind."""
    noted: list[list[Any]] = request.session.get(_KEY, [])
    found: dict[tuple[str, int], Opened] = {}
    for kind in {kind for kind, _ in noted} & set(_KINDS):
        rows: Any = scoped(_KINDS[kind], scope).filter(pk__in=[pk for named, pk in noted if named == kind])
        for row in rows if kind == "site" else rows.select_related("site"):
            path = reverse(kind, kwargs={"id": row.pk})
            found[kind, row.pk] = Opened(path, row.name, row.city if kind == "site" else row.site.name)
    return [found[kind, pk] for kind, pk in noted if (kind, pk) in found]
