"""Sites."""

from __future__ import annotations

import datetime as dt
from functools import lru_cache
from typing import TypedDict, Unpack
from zoneinfo import available_timezones

from sites.changes.errors import refuse
from sites.changes.operations import Use, operation
from sites.changes.work import Work
from sites.models import Customer, Site


class SiteDetails(TypedDict, total=False):
    address: str
    city: str
    postal_code: str
    time_zone: str
    length_unit: Site.LengthUnit
    design_temperature_c: float
    surveyed_on: dt.date | None
    out_of_hours_phone: str
    induction: str
    permits: str
    dangers: str
    note: str


class SiteAltered(SiteDetails, total=False):
    code: str
    name: str


@operation("site.add", "A site comes under the integrator's care.", use=Use.ANY)
def site_add(work: Work, *, customer: Customer, code: str, name: str, **details: Unpack[SiteDetails]) -> Site:
    _require_time_zone(details.get("time_zone", "UTC"))
    # The change set comes first, and has the id that this site will have
    return work.add(Site(pk=work.site_id, customer=customer, code=code, name=name, **details))


@operation("site.alter", "What is said of a site changes.", use=Use.ANY)
def site_alter(work: Work, **altered: Unpack[SiteAltered]) -> Site:
    if "time_zone" in altered:
        _require_time_zone(altered["time_zone"])
    site = Site.objects.get(pk=work.site_id)
    work.alter(site, altered)
    return site


@lru_cache(maxsize=1)
def _time_zones() -> frozenset[str]:
    """The names that there are, read once: the library walks through a folder of files each time."""
    return frozenset(available_timezones())


def _require_time_zone(name: str) -> None:
    if name not in _time_zones():
        raise refuse(
            f"There is no time zone {name}; expected a name such as Europe/Lisbon.",
            code="invalid",
            path="/time_zone",
        )
