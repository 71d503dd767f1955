"""Two customers, and people whose names the tests know."""

from __future__ import annotations

import pytest

from sites.models import Customer, User
from tests import factories


@pytest.fixture
def customer(db: None) -> Customer:
    """Whom the cast is granted."""
    return factories.make_customer(code="strand-ferries", name="Strand Ferries")


@pytest.fixture
def other_customer(db: None) -> Customer:
    return factories.make_customer(code="norrland-cold", name="Norrland Cold Stores")


@pytest.fixture
def manager(db: None) -> User:
    return factories.make_user(User.Role.MANAGER, all_customers=True, username="maud")


@pytest.fixture
def dispatcher(customer: Customer) -> User:
    return factories.make_user(User.Role.DISPATCHER, customers=[customer], username="dora")
