"""A customer: contracts, sites with the worst that is open, and whom to call."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from django.http import HttpRequest

from api.pages.addresses import dialled
from api.pages.answers import answer_of
from api.pages.page import Page
from sites.models import Contact, Customer

SITES: Final = 100
CONTRACTS: Final = 50
CONTACTS: Final = 50


class CustomerPage(Page):
    template_name = "pages/customer.html"
    shows = Customer

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        of = {"customer_id": kwargs["id"], "count": "true"}
        contracts = answer_of(request, "contracts", **of, page_size=CONTRACTS)
        sites = answer_of(request, "sites", **of, order="name", page_size=SITES, expand="open_findings")
        contacts = answer_of(request, "contacts", **of, order="name", page_size=CONTACTS, expand="site")
        return {
            "customer": answer_of(request, f"customers/{kwargs['id']}"),
            "contracts": [{**one, "name": one["reference"]} for one in contracts["items"]],
            "contract_count": contracts["count"],
            "sites": sites["items"],
            "site_count": sites["count"],
            "contacts": _people(contacts["items"]),
            "contacts_read": len(contacts["items"]),
            "contact_count": contacts["count"],
        }


def _people(contacts: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Each person once, with all sites where they are called alike: each site has contacts of its own."""
    found: dict[tuple[str, ...], dict[str, Any]] = {}
    for one in contacts:
        key = tuple(one[name] for name in ("name", "phone", "role", "hours", "note"))
        person = {**one, "role": Contact.Role(one["role"]).label, "href": dialled(one["phone"]), "sites": []}
        found.setdefault(key, person)["sites"].append(one["site"]["name"])
    return list(found.values())
