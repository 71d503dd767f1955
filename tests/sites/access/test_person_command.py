"""`manage.py person`: a user who may and sees what was said, listed, switched off and on; or a line that says
what is wrong."""

from __future__ import annotations

import io
import re
import sys
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from sites.access.selectors import principal_of, token_by_secret
from sites.access.services import token_make
from sites.management.commands import person
from sites.models import Customer
from sites.models.access import Grant, PersonRemoval, User
from sites.services.customers import customer_alter
from tests.factories import change

PASSWORD = "quiet lantern 7 quay"
INES = ["ines", "--name", "Ines  Marlow", "--role", "manager", "--all-customers"]


@pytest.fixture
def password(tmp_path: Path) -> list[str]:
    file = tmp_path / "password"
    file.write_text(PASSWORD + "\r\nnot this line\n")
    return ["--password-file", str(file)]


def add(*words: str) -> str:
    out = io.StringIO()
    call_command("person", "add", *words, stdout=out)
    return out.getvalue()


def test_the_first_manager_may_everything_and_sees_every_customer(
    db: None, password: list[str], customer: Customer
) -> None:
    out = add(*INES, *password)
    user = User.objects.get()
    assert (user.username, user.get_full_name(), user.role) == ("ines", "Ines Marlow", "manager")
    assert user.check_password(PASSWORD)
    assert principal_of(user).scope.covers(customer.pk)
    assert out.startswith("Added ines (Ines Marlow), manager, granted all customers.\n")
    assert PASSWORD not in out


def test_the_line_for_a_token_makes_one(db: None, password: list[str]) -> None:
    line = add(*INES, *password).splitlines()[-1]
    words = line.removeprefix("For a token: manage.py ").split()
    out = io.StringIO()
    call_command(*words, stdout=out, stderr=io.StringIO())
    assert out.getvalue().startswith("zbk_")


def test_customers_by_code_are_granted_and_no_others(
    customer: Customer, other_customer: Customer, password: list[str]
) -> None:
    out = add("dov", "--name", "Dov Tarrant", "--role", "dispatcher", "--customer", customer.code, *password)
    scope = principal_of(User.objects.get(username="dov")).scope
    assert (scope.covers(customer.pk), scope.covers(other_customer.pk)) == (True, False)
    assert f"granted {customer.code}." in out
    assert "--scope record:read --scope events:read --scope findings:write" in out
    assert "admin" not in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["maud", *INES[1:]], "There is a user 'maud' already."),
        (["Maud", *INES[1:]], "There is a user 'maud' already."),
        (["in es", *INES[1:]], "username: Enter a valid username."),
        (["x" * 151, *INES[1:]], "username: Ensure this value has at most 150 characters"),
        (
            ["ines", "--name", " ", *INES[3:]],
            "name: Expected a name that others read: a text of 1 to",
        ),
        ([*INES[:3], "--role", "reader", "--all-customers"], "A reader is a customer's own staff"),
        (
            [*INES[:5], "--customer", "strand-ferry"],
            "There is no customer with the code 'strand-ferry'. Did you mean strand-ferries?",
        ),
    ],
)
def test_what_is_wrong_is_said_and_nobody_is_added(
    manager: User, customer: Customer, password: list[str], words: list[str], said: str
) -> None:
    with pytest.raises(CommandError) as refused:
        add(*words, *password)
    assert str(refused.value).startswith(said)
    assert refused.value.returncode == 2
    assert (User.objects.count(), Grant.objects.count()) == (1, 0)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "holds no password"),
        (b"\nsecond line\n", "holds no password"),
        (b"\xff\xfe", "holds no password: expected one on its first line, in UTF-8"),
        (b"password\n", "This password is too common."),
        (b"ines\n", "This password is too short."),
    ],
)
def test_a_password_that_is_none_is_refused(db: None, tmp_path: Path, content: bytes, said: str) -> None:
    (tmp_path / "password").write_bytes(content)
    with pytest.raises(CommandError) as refused:
        add(*INES, "--password-file", str(tmp_path / "password"))
    assert said in str(refused.value)
    assert refused.value.returncode == 2
    assert not User.objects.exists()


def test_standard_input_gives_the_password(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(f"{PASSWORD}\n".encode())))
    add(*INES, "--password-file", "-")
    assert User.objects.get().check_password(PASSWORD)


def test_without_a_terminal_nothing_is_asked(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    with pytest.raises(CommandError, match="no terminal to ask for the password on: give --password-file"):
        add(*INES)


@pytest.mark.parametrize(("second", "added"), [(PASSWORD, 1), ("a slip of it", 0)])
def test_a_terminal_is_asked_twice(
    db: None, monkeypatch: pytest.MonkeyPatch, second: str, added: int
) -> None:
    answers = iter([PASSWORD, second])
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))

    def answer(_prompt: str) -> Any:
        return next(answers)

    monkeypatch.setattr(person, "getpass", answer)
    if added:
        add(*INES)
        assert User.objects.get().check_password(PASSWORD)
        return
    with pytest.raises(CommandError, match="The two passwords differ"):
        add(*INES)
    assert not User.objects.exists()


def test_a_password_is_never_an_argument(db: None) -> None:
    with pytest.raises(CommandError, match="unrecognized arguments"):
        add(*INES, "--password", PASSWORD)


def test_what_is_added_can_be_used_at_once(db: None, password: list[str], customer: Customer) -> None:
    add("tess", "--name", "Tess", "--role", "technician", "--customer", customer.code, *password)
    user = User.objects.get(username="tess")
    assert (user.first_name, user.last_name) == ("Tess", "")
    token, secret = token_make(user=user, scopes=["record:write"])
    assert token.user == user
    assert secret


# --- listed, switched off and on ----------------------------------------------------------------------------


def run(*words: str) -> str:
    out = io.StringIO()
    call_command("person", *words, stdout=out)
    return out.getvalue()


def test_the_list_says_who_may_what_for_whom(
    manager: User, dispatcher: User, other_customer: Customer
) -> None:
    Grant.objects.create(user=dispatcher, customer=other_customer)
    User.objects.filter(pk=dispatcher.pk).update(
        is_active=False,
        last_login=datetime(2026, 3, 14, 22, tzinfo=UTC),
        first_name="Dora",
        last_name="Quill",
    )
    head, *rows = [re.split(" {2,}", line) for line in run("list").splitlines()]
    assert head == ["user", "name", "role", "last log-in", "customers"]
    assert rows == [
        ["dora", "Dora Quill", "dispatcher", "off", "2026-03-14", "norrland-cold and strand-ferries"],
        ["maud", "manager", "never", "all"],
    ]


def test_who_is_switched_off_has_no_tokens_any_more_and_comes_back(manager: User, dispatcher: User) -> None:
    _, secret = token_make(user=dispatcher, scopes=["record:read"])
    assert run("off", "dora").startswith("dora is switched off")
    assert token_by_secret(secret) is None
    dispatcher.refresh_from_db()
    assert (dispatcher.is_active, dispatcher.sessions_ended) == (False, 1)
    assert "can log in again" in run("on", "dora")
    dispatcher.refresh_from_db()
    assert dispatcher.is_active
    assert dispatcher.check_password("correct horse")
    assert token_by_secret(secret) is None


@pytest.mark.parametrize("act", ["off", "on"])
def test_a_name_that_nobody_has_is_answered_with_one_close_to_it(dispatcher: User, act: str) -> None:
    with pytest.raises(CommandError, match=r"There is no user 'dra'\. Did you mean dora\?") as refused:
        run(act, "dra")
    assert refused.value.returncode == 2


def test_the_last_manager_of_all_customers_is_not_switched_off(manager: User) -> None:
    with pytest.raises(CommandError, match="maud is the last active manager of all customers") as refused:
        run("off", "maud")
    assert refused.value.returncode == 2
    manager.refresh_from_db()
    assert manager.is_active


def test_a_person_is_removed_for_good_after_a_trial_changed_nothing(
    manager: User, dispatcher: User, customer: Customer
) -> None:
    User.objects.filter(pk=dispatcher.pk).update(first_name="Dora", last_name="Quill")
    customer_alter(change(), customer=customer, note="ask Dora Quill")
    words = ["dora", "--by", "Ines Marlow", "--reason", "asked to be forgotten"]
    out = run("remove", *words, "--trial")
    assert re.fullmatch(r"Nothing was changed\. Rows changed: .*1 in customer.*, were it done\.\n", out)
    customer.refresh_from_db()
    assert customer.note == "ask Dora Quill"
    out = run("remove", *words)
    assert out.startswith(f"This user is removed person {dispatcher.pk} from now on; rows changed: ")
    customer.refresh_from_db()
    assert customer.note == f"ask removed person {dispatcher.pk}"
    removal = PersonRemoval.objects.get()
    assert (removal.actor, removal.removed_by) == ("Ines Marlow", None)
    assert run("remove", f"removed-{dispatcher.pk}", *words[1:]).startswith("This user is removed person")
    with pytest.raises(CommandError, match="was removed, and stays so") as refused:
        run("on", f"removed-{dispatcher.pk}")
    assert refused.value.returncode == 2
    with pytest.raises(CommandError, match="reason: ") as refused:
        run("remove", "maud", "--by", "Ines Marlow", "--reason", "\x00")
    assert refused.value.returncode == 2
