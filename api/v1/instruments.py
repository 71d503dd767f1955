"""Instruments that tests are taken with, which all customers share."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.filters import FilterSet
from api.conventions.serializers import ResourceSerializer
from api.conventions.writing import Writing
from sites.access.gates import instrument_for
from sites.models import Instrument
from sites.services.instruments import instrument_add, instrument_alter

from .catalogue import CatalogueViewSet


class InstrumentSerializer(ResourceSerializer):
    class Meta:
        model = Instrument


class InstrumentFilterSet(FilterSet):
    kind = fields.Choice(choices=Instrument.Kind.choices)
    name = fields.Text()
    serial = fields.Text()
    due_before = fields.Day(
        source="calibration_due_on__lt", help_text="Those whose calibration is due before this day."
    )


class InstrumentViewSet(BulkMixin, CatalogueViewSet):
    """Instruments with their serial numbers and calibrations. A test notes the days of calibration that held
    when it was recorded, so an edit here changes no test."""

    gate = instrument_for
    serializer_class = InstrumentSerializer
    filterset_class = InstrumentFilterSet
    ordering_fields = {
        "name": "name",
        "kind": "kind",
        "calibration_due_on": "calibration_due_on",
        "id": "id",
    }
    bodies = {
        "create": Writing(instrument_add),
        "partial_update": Writing(instrument_alter, subject="instrument", partial=True),
    }
