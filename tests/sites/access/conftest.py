"""Two customers, and someone for each way of being granted them."""

from __future__ import annotations

import pytest

from sites.models import Customer, Grant, User
from tests.api.conftest import change_set


@pytest.fixture
def ferry_line(db: None) -> Customer:
    with change_set():
        return Customer.objects.create(code="strand-ferries", name="Strand Ferries")


@pytest.fixture
def cold_stores(db: None) -> Customer:
    with change_set():
        return Customer.objects.create(code="norrland-cold", name="Norrland Cold Stores")


@pytest.fixture
def manager(db: None) -> User:
    return User.objects.create_user("maud", role=User.Role.MANAGER, all_customers=True)


@pytest.fixture
def dispatcher(ferry_line: Customer) -> User:
    user = User.objects.create_user("dora", role=User.Role.DISPATCHER)
    Grant.objects.create(user=user, customer=ferry_line)
    return user
