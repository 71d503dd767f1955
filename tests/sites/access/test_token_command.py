"""`manage.py token`: the token alone on standard output, last; errors that say what would be right."""

from __future__ import annotations

import datetime as dt
import io

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from sites.access.selectors import principal_of, token_by_secret
from sites.models import Customer
from sites.models.access import Token, User


def make(*words: str) -> tuple[str, str]:
    out, err = io.StringIO(), io.StringIO()
    call_command("token", *words, stdout=out, stderr=err)
    return out.getvalue(), err.getvalue()


def test_it_prints_the_token_once_and_last(manager: User) -> None:
    out, err = make("maud", "--scope", "record:read", "--scope", "findings:write", "--name", "ticketing")
    token = token_by_secret(out.splitlines()[-1])
    assert token is not None
    assert (token.user, token.scopes, token.name) == (manager, ["record:read", "findings:write"], "ticketing")
    assert out.strip() not in err


def test_it_says_when_the_token_ends_by_default_in_90_days(
    manager: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    noon = dt.datetime(2026, 11, 25, 12, 0, tzinfo=dt.UTC)
    monkeypatch.setattr(timezone, "now", lambda: noon)
    _out, err = make("maud", "--scope", "record:read")
    assert Token.objects.get().expires_at == dt.datetime(2027, 2, 23, 12, 0, tzinfo=dt.UTC)
    assert "It ends on 2027-02-23, 12:00 UTC." in err


def test_customers_narrow_it(manager: User, customer: Customer, other_customer: Customer) -> None:
    out, _ = make("maud", "--scope", "record:read", "--customer", "norrland-cold")
    token = token_by_secret(out.strip())
    assert token is not None
    assert principal_of(manager, token).scope.customer_ids == frozenset({other_customer.pk})


def test_expires_is_the_last_day(manager: User) -> None:
    make("maud", "--scope", "record:read", "--expires", "2031-03-31")
    (token,) = Token.objects.all()
    assert token.expires_at is not None
    assert token.expires_at.isoformat() == "2031-04-01T00:00:00+00:00"


@pytest.mark.parametrize(
    ("words", "stated"),
    [
        (["mauds", "--scope", "admin"], "There is no user 'mauds'. Did you mean maud?"),
        (["maud"], "A token needs at least one scope: record:read"),
        (["maud", "--scope", "asbuilt"], "The scopes are: record:read, events:read, findings:write"),
        (["maud", "--scope", "admin", "--customer", "strand-ferry"], "Did you mean strand-ferries?"),
        (
            ["maud", "--scope", "admin", "--expires", "soon"],
            "--expires soon: expected a day such as 2026-11-25, from 1970 to 2200.",
        ),
        (["maud", "--scope", "admin", "--expires", "2027-02-30"], "expected a day"),
        (["maud", "--scope", "admin", "--expires", "2020-01-01"], "must expire in the future"),
        (["dora", "--scope", "admin"], "dora is a dispatcher, who may: record:read"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_made(
    manager: User, dispatcher: User, words: list[str], stated: str
) -> None:
    with pytest.raises(CommandError) as error:
        make(*words)
    assert stated in str(error.value)
    assert error.value.returncode == 2
    assert not Token.objects.exists()
