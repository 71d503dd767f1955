"""Scope: which rows one sees, for every model there is."""

from __future__ import annotations

import pytest
from django.apps import apps
from django.db import models

from sites.access.abilities import Ability
from sites.access.gates import NotFound, customer_for, site_for
from sites.access.scope import EVERYTHING, NOTHING, Scope, UnscopedModelError, customer_path, scoped
from sites.access.selectors import AbilityMissing, principal_of
from sites.models import Customer, DeviceModel, Grant, Token, User
from tests import factories

MODELS = [*apps.get_app_config("sites").get_models(), *apps.get_app_config("zones").get_models()]


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model._meta.label)
@pytest.mark.django_db
def test_every_model_says_whose_its_rows_are(model: type[models.Model]) -> None:
    """A new model that belongs neither to a customer nor to a site has to say so; the path has to lead
    somewhere."""
    assert list(scoped(model, Scope(frozenset({1})))[:1]) == []
    scoped(model, EVERYTHING)


def test_a_model_that_says_nothing_is_refused() -> None:
    from django.contrib.auth.models import Group

    with pytest.raises(UnscopedModelError, match="scope_by_path"):
        customer_path(Group)


def test_scopes_narrow_and_never_widen() -> None:
    assert EVERYTHING.narrowed_to([1, 2]) == Scope(frozenset({1, 2}))
    assert Scope(frozenset({1, 2})).narrowed_to([2, 3]) == Scope(frozenset({2}))
    assert NOTHING.narrowed_to([1]) == NOTHING
    assert EVERYTHING.covers(7)
    assert not NOTHING.covers(7)
    assert Scope(frozenset({2, 1})).fingerprint() == Scope(frozenset({1, 2})).fingerprint() == "1,2"


def test_a_gate_lets_through_what_is_in_scope_and_tells_nothing_else_apart(
    manager: User, dispatcher: User, customer: Customer, other_customer: Customer
) -> None:
    ours = factories.make_site(customer, code="quay-9", name="Quay 9")
    theirs = factories.make_site(other_customer, code="store-2", name="Store 2")
    asking = principal_of(dispatcher)
    assert site_for(principal=asking, id=ours.pk) == ours
    answers = []
    for absent in (theirs.pk, 10**9, 10**30):
        with pytest.raises(NotFound) as error:
            site_for(principal=asking, id=absent)
        answers.append(str(error.value))
    assert len(set(answers)) == 1
    with pytest.raises(NotFound):
        customer_for(principal=asking, id=other_customer.pk)
    assert site_for(principal=principal_of(manager), id=theirs.pk) == theirs


def test_the_catalogue_is_everybodys(db: None) -> None:
    assert str(scoped(DeviceModel, NOTHING).query) == str(DeviceModel.objects.all().query)


def test_users_and_tokens_are_seen_by_those_who_share_a_customer(
    manager: User, dispatcher: User, customer: Customer, other_customer: Customer
) -> None:
    ours, theirs = Scope(frozenset({customer.pk})), Scope(frozenset({other_customer.pk}))
    token = Token.objects.create(user=dispatcher, digest="d", scopes=["record:read"])
    assert list(scoped(User, ours)) == [dispatcher]
    assert list(scoped(Token, ours)) == [token]
    assert not scoped(User, theirs).exists()
    assert not scoped(Token, theirs).exists()
    assert scoped(User, EVERYTHING).count() == 2


def test_a_user_granted_more_than_the_scope_is_unseen_and_so_are_their_tokens(
    dispatcher: User, customer: Customer, other_customer: Customer
) -> None:
    token = Token.objects.create(user=dispatcher, digest="d", scopes=["record:read"])
    Grant.objects.create(user=dispatcher, customer=other_customer)
    ours = Scope(frozenset({customer.pk}))
    both = Scope(frozenset({customer.pk, other_customer.pk}))
    assert (list(scoped(User, ours)), list(scoped(Token, ours))) == ([], [])
    assert (list(scoped(User, both)), list(scoped(Token, both))) == ([dispatcher], [token])
    Grant.objects.all().delete()
    assert not scoped(User, both).exists(), "one of no customer is seen by those of all"


def test_a_user_of_all_customers_stays_unseen_in_spite_of_a_grant(
    manager: User, dispatcher: User, customer: Customer
) -> None:
    """The grant may stay from the time before they were given everything."""
    Grant.objects.create(user=manager, customer=customer)
    Token.objects.create(user=manager, digest="m", scopes=["admin"])
    token = Token.objects.create(user=dispatcher, digest="d", scopes=["record:read"])
    granted = Scope(frozenset({customer.pk}))
    assert list(scoped(User, granted)) == [dispatcher]
    assert list(scoped(Token, granted)) == [token]
    assert manager in scoped(User, EVERYTHING)


def test_an_ability_is_required_by_name(dispatcher: User) -> None:
    asking = principal_of(dispatcher)
    asking.require(Ability.WRITE_FINDINGS)
    with pytest.raises(AbilityMissing, match="record:write"):
        asking.require(Ability.WRITE_RECORD)
