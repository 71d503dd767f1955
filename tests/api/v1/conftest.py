from __future__ import annotations

from typing import Any

import pytest

from sites.models import Closet, Contact, Customer, DeviceModel, Instrument, Site
from sites.models.access import User
from sites.services.closets import contact_add
from sites.services.instruments import instrument_add
from tests import factories


@pytest.fixture
def contact(site: Site, closet: Closet) -> Contact:
    return contact_add(
        factories.change(site), closet=closet, role=Contact.Role.SITE, name="Ada Strand", phone="+1 555 0100"
    ).result


@pytest.fixture
def things(
    customer: Customer, site: Site, closet: Closet, contact: Contact
) -> dict[str, tuple[int, dict[str, Any]]]:
    """By resource: one that is there, and a change of it."""
    contract = factories.make_contract(customer)
    meter = instrument_add(factories.change(), name="meter 3", kind=Instrument.Kind.MULTIMETER).result
    return {
        "customers": (customer.pk, {"note": "pays late"}),
        "contracts": (contract.pk, {"response_hours": 4}),
        "coverages": (factories.make_coverage(contract, site).pk, {"end_day": "2027-01-01"}),
        "sites": (site.pk, {"dangers": "forklifts"}),
        "closets": (closet.pk, {"room": "2.14", "ladder_m": 3.5}),
        "contacts": (contact.pk, {"phone": "+1 555 0199"}),
        "catalogue/devices": (factories.make_model(DeviceModel.Kind.HORN).pk, {"minimum_voltage_v": 17.5}),
        "catalogue/cables": (factories.make_cable().pk, {"plenum": True}),
        "instruments": (meter.pk, {"calibrated_on": "2026-02-10"}),
    }


@pytest.fixture
def keeper(customer: Customer) -> User:
    """A manager of one customer."""
    return factories.make_user(User.Role.MANAGER, customers=[customer], username="kit")


@pytest.fixture
def of_both(customer: Customer, other_customer: Customer) -> User:
    return factories.make_user(customers=[customer, other_customer], username="bea")
