"""`manage.py token USER --scope S`: make a token for a program and print it once."""

from __future__ import annotations

import argparse
import difflib
from datetime import datetime, time, timedelta
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone
from django.utils.dateparse import parse_date

from sites.access.services import scope_help, token_make
from sites.models import Customer, User

BAD_INPUT: Final = 2


class Command(BaseCommand):
    help = "Make a token for a program and print it once, last on standard output; only its digest is kept."

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        return super().create_parser(
            prog_name,
            subcommand,
            formatter_class=argparse.RawDescriptionHelpFormatter,
            epilog=f"scopes:\n{scope_help()}",
            **kwargs,
        )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("user", metavar="USER", help="whom the token speaks for: their log-in name")
        parser.add_argument(
            "--scope",
            action="append",
            default=[],
            metavar="S",
            dest="scopes",
            help="what it may do; give it once for each scope (listed below)",
        )
        parser.add_argument(
            "--customer",
            action="append",
            metavar="C",
            dest="customers",
            help="a customer's code: the token then sees only those named (default: all that the user sees)",
        )
        parser.add_argument("--name", default="", help="what it is for, as its list shows it")
        parser.add_argument(
            "--expires", metavar="DATE", help="its last day (UTC), as in 2027-03-31; default: none"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        user = _user(options["user"])
        try:
            token, secret = token_make(
                user=user,
                scopes=options["scopes"],
                customer_ids=_customer_ids(options["customers"]),
                name=options["name"],
                expires_at=_end_of(options["expires"]),
            )
        except ValidationError as error:
            raise CommandError("\n".join(error.messages), returncode=BAD_INPUT) from error
        self.stderr.write(
            f"Token {token.pk} of {user.get_username()} ({user.get_role_display()}): "
            f"{', '.join(token.scopes)}. It is shown this once; keep it where secrets are kept."
        )
        self.stdout.write(secret)


def _user(name: str) -> User:
    user = User.objects.filter(username=name).first()
    if user is None:
        names = list(User.objects.values_list("username", flat=True).order_by("username")[:1000])
        close = difflib.get_close_matches(name, names, n=3)
        hint = f" Did you mean {' or '.join(close)}?" if close else ""
        raise CommandError(f"There is no user {name!r}.{hint}", returncode=BAD_INPUT)
    return user


def _customer_ids(codes: list[str] | None) -> list[int] | None:
    if codes is None:
        return None
    by_code = dict(Customer.objects.values_list("code", "id"))
    unknown = [code for code in codes if code not in by_code]
    if unknown:
        hints = {code: difflib.get_close_matches(code, by_code, n=1) for code in unknown}
        raise CommandError(
            "\n".join(
                f"There is no customer with the code {code!r}."
                + (f" Did you mean {hints[code][0]}?" if hints[code] else "")
                for code in unknown
            ),
            returncode=BAD_INPUT,
        )
    return [by_code[code] for code in codes]


def _end_of(day: str | None) -> datetime | None:
    if day is None:
        return None
    try:
        date = parse_date(day)
    except ValueError:
        date = None
    if date is None:
        raise CommandError(f"--expires {day}: expected a day, as in 2027-03-31.", returncode=BAD_INPUT)
    return datetime.combine(date + timedelta(days=1), time(), tzinfo=timezone.get_default_timezone())
