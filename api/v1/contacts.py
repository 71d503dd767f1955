"""Contacts: whom to call about a site or a closet, and when."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Representation
from api.conventions.views import Ended, Listed, Shown
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import contact_for
from sites.models import Contact
from sites.services.closets import contact_add, contact_alter, contact_remove

from .placed import SiteFilters


class ContactShown(Representation):
    class Meta:
        model = Contact
        fields = ("id", "site_id", "closet_id", "role", "name", "phone", "email", "hours", "note")


class ContactFilters(SiteFilters):
    closet_id = fields.Id(required=False)
    role = fields.Choice(choices=Contact.Role.choices, required=False)

    lookups: ClassVar[dict[str, Lookup]] = {**SiteFilters.lookups, "closet_id": "closet_id", "role": "role"}


class Contacts(Listed, Shown, Ended):
    """People to call about a site or one of its closets."""

    gate = contact_for
    representation = ContactShown
    filters = ContactFilters
    orders = {"name": Order("name"), "id": Order("id")}
    usual_order = "name"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "partial_update": Ability.WRITE_INVENTORY,
        "destroy": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "create": Writing(contact_add, of_site=True),
        "partial_update": Writing(contact_alter, subject="contact", partial=True),
        "destroy": Writing(contact_remove, subject="contact"),
    }
