"""Contacts: whom to call about a site or a closet, and when."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import RecordViewSet
from api.conventions.writing import Writing
from sites.access.gates import contact_for
from sites.models import Contact
from sites.services.closets import contact_add, contact_alter, contact_remove

from .dated import SiteFilterSet


class ContactSerializer(ResourceSerializer):
    class Meta:
        model = Contact


class ContactFilterSet(SiteFilterSet):
    closet_id = fields.Id()
    role = fields.Choice(choices=Contact.Role.choices)


class ContactViewSet(RecordViewSet):
    """People to call about a site or one of its closets."""

    gate = contact_for
    serializer_class = ContactSerializer
    filterset_class = ContactFilterSet
    ordering_fields = {"name": "name", "id": "id"}
    bodies = {
        "create": Writing(contact_add, within=("site",)),
        "partial_update": Writing(contact_alter, subject="contact", partial=True),
        "destroy": Writing(contact_remove, subject="contact"),
    }
