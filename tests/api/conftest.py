"""Who asks the API: the cast, over HTTP, by session or by token."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from datetime import date
from typing import Any

import pytest
from django.db import connection, transaction
from django.test import Client
from django.utils import timezone

from sites.access.abilities import ROLES, TOKEN_SCOPES
from sites.access.services import token_make
from sites.models import ChangeSet, Customer, Grant, Site, User

Caller = Callable[..., Client]


@pytest.fixture
def logged_in(db: None) -> Caller:
    """A person with a session, and the CSRF token that our pages would send."""

    def make(user: User, *, csrf: bool = True) -> Client:
        client = Client(enforce_csrf_checks=True, raise_request_exception=False)
        client.force_login(user)
        if csrf:
            token = "c" * 32
            client.cookies["csrftoken"] = token
            client.defaults["HTTP_X_CSRFTOKEN"] = token
        return client

    return make


@pytest.fixture
def with_token(db: None) -> Caller:
    """A program with a token of `user`: with `scopes`, by default all that the user's role can give."""

    def make(
        user: User, scopes: Collection[str] | None = None, customers: Collection[Customer] | None = None
    ) -> Client:
        given = scopes
        if given is None:
            given = [ability.value for ability in TOKEN_SCOPES if ability in ROLES[user.role]]
        _, secret = token_make(
            user=user,
            scopes=given,
            customer_ids=None if customers is None else [customer.pk for customer in customers],
        )
        return Client(
            enforce_csrf_checks=True,
            raise_request_exception=False,
            headers={"Authorization": f"Bearer {secret}"},
        )

    return make


@pytest.fixture
def nobody(db: None) -> Client:
    """Someone who sends neither a token nor a session."""
    return Client(enforce_csrf_checks=True, raise_request_exception=False)


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
    return _granted("dora", User.Role.DISPATCHER, ferry_line)


@pytest.fixture
def technician(ferry_line: Customer) -> User:
    return _granted("timo", User.Role.TECHNICIAN, ferry_line)


@pytest.fixture
def reader(ferry_line: Customer) -> User:
    return _granted("rhea", User.Role.READER, ferry_line)


@pytest.fixture
def outsider(cold_stores: Customer) -> User:
    """Granted another customer only: for them nothing of the ferry line exists."""
    return _granted("odo", User.Role.MANAGER, cold_stores)


def _granted(name: str, role: str, customer: Customer) -> User:
    user = User.objects.create_user(name, role=role)
    Grant.objects.create(user=user, customer=customer)
    return user


@pytest.fixture
def terminal(ferry_line: Customer) -> Site:
    return make_site(ferry_line, "quay-9", "Ferry terminal, quay 9")


@pytest.fixture
def cold_store(cold_stores: Customer) -> Site:
    return make_site(cold_stores, "store-2", "Cold store 2")


def make_site(customer: Customer, code: str, name: str, **values: Any) -> Site:
    with connection.cursor() as cursor:
        cursor.execute("SELECT nextval('site_id_seq')")
        site_id = cursor.fetchone()[0]
    with change_set(site_id):
        return Site.objects.create(id=site_id, customer=customer, code=code, name=name, **values)


@contextmanager
def change_set(site_id: int | None = None) -> Iterator[ChangeSet]:
    """Write within a change set accepted just now."""
    with transaction.atomic():
        named = ChangeSet.objects.create(
            site_id=site_id,
            state=ChangeSet.State.ACCEPTED,
            door=ChangeSet.Door.COMMAND,
            actor="a test",
            reason="a test",
            happened_on=date(2026, 3, 1),
            recorded_at=timezone.now(),
        )
        named.refresh_from_db()
        with connection.cursor() as cursor:
            cursor.execute("SELECT set_config('zonebook.change_set', %s, true)", [str(named.pk)])
        yield named
        with connection.cursor() as cursor:
            cursor.execute("SELECT set_config('zonebook.change_set', '', true)")
