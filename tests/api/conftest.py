"""Users and clients of the API in tests, by session or by token."""

from __future__ import annotations

import io
import logging.config
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager

import pytest
from django.conf import settings
from django.db import connection
from django.test import Client

from api import logs
from sites.access.abilities import ROLES, TOKEN_SCOPES
from sites.access.services import token_make
from sites.models import Block, Closet, Customer, Site, User
from tests import factories
from tests.halls import Hall, make_hall

Caller = Callable[..., Client]


@contextmanager
def logged(level: str, log_format: str = "json") -> Iterator[io.StringIO]:
    """What every logger writes while the block lasts."""
    stream = io.StringIO()
    configuration = logs.configure(log_format, level)
    configuration["handlers"]["stderr"]["stream"] = stream
    logging.config.dictConfig(configuration)
    try:
        yield stream
    finally:
        logging.config.dictConfig(settings.LOGGING)


@pytest.fixture
def high_ids(db: None) -> None:
    """Ids that are no other number of an answer: in a new database they begin with those of counts."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT setval(format('%I.%I', schemaname, sequencename)::regclass,"
            " greatest(last_value, 7000000)) FROM pg_sequences"
            " WHERE schemaname = current_schema() AND max_value > 10000000"
        )


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
def anonymous(db: None) -> Client:
    """Someone who sends neither a token nor a session."""
    return Client(enforce_csrf_checks=True, raise_request_exception=False)


@pytest.fixture
def customer(db: None) -> Customer:
    """Whom the cast is granted."""
    return factories.make_customer(code="strand-ferries", name="Strand Ferries")


@pytest.fixture
def other_customer(db: None) -> Customer:
    return factories.make_customer(code="norrland-cold", name="Norrland Cold Stores")


@pytest.fixture
def outsider(other_customer: Customer) -> User:
    """A manager who is granted another customer only: for them nothing of the cast's customer exists."""
    return factories.make_user(User.Role.MANAGER, customers=[other_customer])


@pytest.fixture
def other_site(other_customer: Customer) -> Site:
    return factories.make_site(other_customer)


@pytest.fixture
def hall(closet: Closet, block: Block) -> Hall:
    return make_hall(closet, block)
