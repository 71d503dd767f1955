"""`manage.py person add USER --name NAME --role ROLE`: add a user, the first manager too."""

from __future__ import annotations

import sys
from getpass import getpass
from pathlib import Path
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import IntegrityError

from sites.access.abilities import ROLES, TOKEN_SCOPES
from sites.access.services import user_add
from sites.changes.constraints import problem_of
from sites.models import User

from .token import customers_with

BAD_INPUT: Final = 2
LONGEST_PASSWORD: Final = 4096


class Command(BaseCommand):
    help = (
        "Add a user. Their password is asked for on the terminal, or read from a file; never give it as an "
        "argument, since other users of the machine see those."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        commands = parser.add_subparsers(dest="command", required=True, metavar="add")
        # Not abbreviated: --password SECRET would be taken for --password-file
        add = commands.add_parser("add", help="add a user", description=self.help, allow_abbrev=False)
        add.add_argument("user", metavar="USER", help="log-in name")
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

    def handle(self, *args: Any, **options: Any) -> None:
        customers = customers_with(options["customers"]) if options["customers"] else []
        try:
            user = user_add(
                username=options["user"],
                name=options["name"],
                role=User.Role(options["role"]),
                password=_password(options["user"], options["password_file"]),
                all_customers=options["all_customers"],
                customers=customers,
            )
        except ValidationError as error:
            raise CommandError(" ".join(_sentences(error)), returncode=BAD_INPUT) from error
        except IntegrityError as error:
            raise CommandError(problem_of(error).detail, returncode=BAD_INPUT) from error
        granted = "all customers" if user.all_customers else ", ".join(one.code for one in customers)
        scopes = [f"--scope {scope}" for scope in TOKEN_SCOPES if scope in ROLES[user.role]]
        self.stdout.write(
            f"Added {user.get_username()} ({user.get_full_name()}), {user.get_role_display()}, granted "
            f"{granted}.\nFor a token: manage.py token {user.get_username()} {' '.join(scopes)}"
        )


def _sentences(error: ValidationError) -> list[str]:
    if not hasattr(error, "error_dict"):
        return error.messages
    return [f"{field}: {text}" for field, texts in error.message_dict.items() for text in texts]


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
