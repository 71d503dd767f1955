"""`manage.py person list|add|off|on|remove`: who may log in. The first manager is added here; others over
REST, by those who may."""

from __future__ import annotations

import sys
from getpass import getpass
from pathlib import Path
from typing import Any, Final

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import IntegrityError

from sites.access.abilities import ROLES, TOKEN_SCOPES
from sites.changes.constraints import problem_of
from sites.changes.errors import ChangeRefused, Problem
from sites.models import User
from sites.services.people import person_remove, user_activate, user_add, user_deactivate
from sites.wording import listed

from .token import customers_with, user_called

BAD_INPUT: Final = 2
LONGEST_PASSWORD: Final = 4096
MOST_CODES: Final = 10  # of customers, in a line of the list


class Command(BaseCommand):
    help = "List users, add one, switch one off and on, or take one out of the record."

    def add_arguments(self, parser: CommandParser) -> None:
        commands = parser.add_subparsers(dest="command", required=True, metavar="list|add|off|on|remove")
        commands.add_parser("list", help="list users with role, customers and last log-in")
        _add_add(commands)
        off = commands.add_parser("off", help="end a user's sessions and tokens, and let them log in no more")
        on = commands.add_parser("on", help="let a user log in again, with the password they had")
        for parser_of_one in (off, on):
            parser_of_one.add_argument("user", metavar="USER", help="username")

        remove = commands.add_parser(
            "remove",
            help="take a person's name and details out of the record, which stands",
            description="Replace the name, username, email address and telephone numbers of a user by "
            "'removed person N' everywhere, for good, and end their sessions and tokens. Look with --trial "
            "first: contacts of the same name or address are taken for the same person.",
        )
        remove.add_argument("user", metavar="USER", help="username")
        remove.add_argument("--by", required=True, metavar="NAME", help="who removes them, as others read it")
        remove.add_argument("--reason", required=True, help="why")
        remove.add_argument("--trial", action="store_true", help="change nothing, and say what would change")

    def handle(self, *args: Any, **options: Any) -> None:
        act = {
            "list": self._list,
            "add": self._add,
            "off": self._off,
            "on": self._on,
            "remove": self._remove,
        }[options["command"]]
        try:
            act(options)
        except ChangeRefused as refused:
            raise CommandError(" ".join(map(_said, refused.problems)), returncode=BAD_INPUT) from refused
        except IntegrityError as error:
            raise CommandError(problem_of(error).detail, returncode=BAD_INPUT) from error

    def _list(self, _options: dict[str, Any]) -> None:
        users = User.objects.prefetch_related("grants__customer").order_by("username")
        rows = [("user", "name", "role", "", "last log-in", "customers")]
        rows += [
            (
                user.get_username(),
                user.get_full_name(),
                user.get_role_display(),
                "" if user.is_active else "off",
                f"{user.last_login:%Y-%m-%d}" if user.last_login else "never",
                _granted(user),
            )
            for user in users
        ]
        widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
        for row in rows:
            cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
            self.stdout.write("  ".join(cells).rstrip())

    def _add(self, options: dict[str, Any]) -> None:
        customers = customers_with(options["customers"]) if options["customers"] else []
        user = user_add(
            by=None,
            username=options["user"],
            name=options["name"],
            role=options["role"],
            password=_password(options["user"], options["password_file"]),
            all_customers=options["all_customers"],
            customer_ids=[customer.pk for customer in customers],
        )
        scopes = [f"--scope {scope}" for scope in TOKEN_SCOPES if scope in ROLES[user.role]]
        granted = "all customers" if user.all_customers else ", ".join(one.code for one in customers)
        self.stdout.write(
            f"Added {_called(user)}, {user.get_role_display()}, granted "
            f"{granted}.\nFor a token: manage.py token {user.get_username()} {' '.join(scopes)}"
        )

    def _off(self, options: dict[str, Any]) -> None:
        user = user_deactivate(by=None, user=user_called(options["user"]))
        self.stdout.write(
            f"{_called(user)} is switched off: their sessions have ended, and their tokens are revoked."
        )

    def _on(self, options: dict[str, Any]) -> None:
        user = user_activate(by=None, user=user_called(options["user"]))
        self.stdout.write(f"{_called(user)} can log in again. Revoked tokens stay so.")

    def _remove(self, options: dict[str, Any]) -> None:
        removal = person_remove(
            by=None,
            user=user_called(options["user"]),
            reason=options["reason"],
            actor=options["by"],
            trial=options["trial"],
        )
        changed = [f"{count} in {table}" for table, count in sorted(removal.rows_changed.items())]
        rows = f"rows changed: {', '.join(changed) or 'none'}"
        if options["trial"]:
            self.stdout.write(f"Nothing was changed. {rows.capitalize()}, were it done.")
        else:
            self.stdout.write(f"This user is removed person {removal.pk} from now on; {rows}.")


def _said(problem: Problem) -> str:
    """With the value's name, where the sentence is about the value by itself."""
    place = problem.path.removeprefix("/")
    return f"{place}: {problem.detail}" if place and problem.code == "invalid" else problem.detail


def _add_add(commands: Any) -> None:
    # Not abbreviated: --password SECRET would be taken for --password-file
    add = commands.add_parser(
        "add",
        help="add a user",
        description="Add a user. Their password is asked for on the terminal, or read from a file; never "
        "give it as an argument, since other users of the machine see those.",
        allow_abbrev=False,
    )
    add.add_argument("user", metavar="USER", help="username")
    add.add_argument("--name", required=True, help="name that others read, such as 'Ines Marlow'")
    add.add_argument("--role", required=True, choices=User.Role.values, help="what they may do")
    granted = add.add_mutually_exclusive_group(required=True)
    granted.add_argument(
        "--all-customers", action="store_true", help="grant every customer, those to come included"
    )
    granted.add_argument(
        "--customer",
        action="append",
        default=[],
        metavar="C",
        dest="customers",
        help="code of a customer that they are granted; repeatable",
    )
    add.add_argument(
        "--password-file",
        metavar="FILE",
        help="read the password from the first line of FILE; - reads standard input",
    )


def _called(user: User) -> str:
    name = user.get_full_name()
    return f"{user.get_username()} ({name})" if name else user.get_username()


def _granted(user: User) -> str:
    if user.all_customers:
        return "all"
    return listed(sorted(grant.customer.code for grant in user.grants.all()), most=MOST_CODES) or "none"


def _password(user: str, file: str | None) -> str:
    if file is None:
        return _asked(user)
    if file == "-":
        line = sys.stdin.buffer.readline(LONGEST_PASSWORD)
    else:
        with Path(file).open("rb") as opened:
            line = opened.readline(LONGEST_PASSWORD)
    try:
        password = line.decode().rstrip("\r\n")
    except UnicodeDecodeError:
        password = ""
    if not password:
        where = "standard input" if file == "-" else file
        raise CommandError(
            f"{where} holds no password: expected one on its first line, in UTF-8", returncode=BAD_INPUT
        )
    return password


def _asked(user: str) -> str:
    if not sys.stdin.isatty():
        raise CommandError(
            "There is no terminal to ask for the password on: give --password-file FILE, or - for standard "
            "input",
            returncode=BAD_INPUT,
        )
    password = getpass(f"Password of {user}: ")
    if getpass("The same again: ") != password:
        raise CommandError("The two passwords differ: nothing was added", returncode=BAD_INPUT)
    return password
