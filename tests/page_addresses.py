"""Where each page lies, for a hall whose supply a later addition pushed past its limit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from django.db.models import Model
from django.urls import reverse

from api.pages.closets.door_keys import key_of
from api.pages.urls import Row
from sites.models import (
    Amplifier,
    Basis,
    Block,
    ChangeSet,
    Closet,
    Contract,
    Customer,
    Endpoint,
    Site,
    Supply,
    Switch,
)
from tests import factories
from tests.halls import Hall, make_hall
from zones.models import Case, Finding, Run, Zone
from zones.recheck.batch import check


@dataclass(frozen=True)
class Shown:
    """What stands where the pages look. Only what a page needs is made."""

    closet: Closet
    block: Block

    @cached_property
    def hall(self) -> Hall:
        hall = make_hall(self.closet, self.block)
        factories.make_points(hall.run, 12, hall.speaker, length_m=1.0, current_basis=Basis.MEASURED)
        check([hall.site.pk])
        return hall

    @cached_property
    def finding(self) -> Finding:
        return Finding.objects.get(site=self.hall.site, code="supply_current", cleared_at=None)

    def kwargs(self, row: Row) -> dict[str, Any]:
        """What the address of the page holds."""
        if row.view.shows is not None:
            return {"id": THINGS[row.view.shows](self).pk}
        return OTHERS[row.name](self) if row.name in OTHERS else {}

    def address(self, row: Row) -> str:
        return reverse(row.name, kwargs=self.kwargs(row))


THINGS: Mapping[type[Model], Callable[[Shown], Any]] = {
    Customer: lambda shown: shown.closet.site.customer,
    Contract: lambda shown: factories.make_contract(shown.closet.site.customer),
    Site: lambda shown: shown.hall.site,
    Closet: lambda shown: shown.hall.closet,
    Block: lambda shown: shown.hall.block,
    Zone: lambda shown: shown.hall.zone,
    Run: lambda shown: shown.hall.run,
    Supply: lambda shown: shown.hall.supply,
    Switch: lambda shown: shown.hall.switch,
    Endpoint: lambda shown: shown.hall.gateway,
    Amplifier: lambda shown: factories.make_amplifier(shown.closet),
    Finding: lambda shown: shown.finding,
    Case: lambda shown: shown.finding.case,
    ChangeSet: lambda shown: shown.hall.site.change_set,
}
"""By what a page shows: one of those."""

OTHERS: Mapping[str, Callable[[Shown], dict[str, Any]]] = {
    "figure": lambda shown: {"code": "supply_current", "kind": "supply", "id": shown.hall.supply.pk},
    "door": lambda shown: {"key": key_of(shown.hall.closet.pk)},
}
"""By the name of a page whose address holds something else than one id: what it holds."""
