"""Sites."""

from __future__ import annotations

from typing import Any

from sites.changes.operations import Use, operation
from sites.changes.work import Work
from sites.fields import facts_of
from sites.models import Customer, Site


@operation(
    "site.add",
    "A site comes under the integrator's care.",
    of=Site,
    takes=facts_of(Site, "code", "name"),
    use=Use.ANY,
)
def site_add(work: Work, /, *, customer: Customer, code: str, name: str, **given: Any) -> Site:
    # The change set comes first, and has the id that this site will have
    return work.add(Site(pk=work.site_id, customer=customer, code=code, name=name, **given))


@operation("site.alter", "What is said of a site changes.", of=Site, takes=facts_of(Site), use=Use.ANY)
def site_alter(work: Work, /, **given: Any) -> Site:
    site = Site.objects.get(pk=work.site_id)
    work.alter(site, given)
    return site
