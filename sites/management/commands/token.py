"""`manage.py token USER --scope S`: make a token for a program and print it once."""

from __future__ import annotations

import argparse
import datetime as dt
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from sites.access.services import scope_help, token_make
from sites.fields import DayField
from sites.models import Customer, User
from sites.wording import did_you_mean, shortened

BAD_INPUT: Final = 2


class Command(BaseCommand):
    help = "Make a token for a program and print it on standard output, once: only its digest is stored."

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        return super().create_parser(
            prog_name,
            subcommand,
            formatter_class=argparse.RawDescriptionHelpFormatter,
            epilog=f"scopes:\n{scope_help()}",
            **kwargs,
        )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("user", metavar="USER", help="username of the user whose rights it has")
        parser.add_argument(
            "--scope",
            action="append",
            default=[],
            metavar="S",
            dest="scopes",
            help="a right of the token (listed below); repeatable",
        )
        parser.add_argument(
            "--customer",
            action="append",
            metavar="C",
            dest="customers",
            help="code of a customer that it may see; repeatable (default: every customer of the user)",
        )
        parser.add_argument("--name", default="", help="its purpose, as the list of tokens shows it")
        parser.add_argument(
            "--expires", metavar="DATE", help="its last day (UTC), such as 2027-03-31 (default: in 90 days)"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        user = user_called(options["user"])
        customers = None if options["customers"] is None else customers_with(options["customers"])
        try:
            token, secret = token_make(
                user=user,
                scopes=options["scopes"],
                customer_ids=None if customers is None else [customer.pk for customer in customers],
                name=options["name"],
                expires_at=_end_of(options["expires"]),
            )
        except ValidationError as error:
            raise CommandError("\n".join(error.messages), returncode=BAD_INPUT) from error
        self.stderr.write(
            f"Token {token.pk} of {user.get_username()} ({user.get_role_display()}): "
            f"{', '.join(token.scopes)}. It ends on {token.expires_at:%Y-%m-%d, %H:%M} UTC. It is shown only "
            "once: store it as a secret."
        )
        self.stdout.write(secret)


def user_called(name: str) -> User:
    """The user with this username; CommandError where there is none."""
    user = User.objects.filter(username=name).first()
    if user is None:
        names = list(User.objects.values_list("username", flat=True).order_by("username")[:1000])
        raise CommandError(
            f"There is no user {name!r}.{did_you_mean(name, names, most=3)}", returncode=BAD_INPUT
        )
    return user


def customers_with(codes: list[str]) -> list[Customer]:
    """The customers with these codes; CommandError for a code that no customer has."""
    by_code = {customer.code: customer for customer in Customer.objects.all()}
    unknown = [
        f"There is no customer with the code {code!r}.{did_you_mean(code, by_code)}"
        for code in codes
        if code not in by_code
    ]
    if unknown:
        raise CommandError("\n".join(unknown), returncode=BAD_INPUT)
    return [by_code[code] for code in dict.fromkeys(codes)]


def _end_of(day: str | None) -> dt.datetime | None:
    if day is None:
        return None
    field = DayField()
    try:
        date: dt.date = field.clean(day, None)
    except ValidationError as error:
        raise CommandError(
            f"--expires {shortened(day)}: expected {field.expected}.", returncode=BAD_INPUT
        ) from error
    return dt.datetime.combine(date + dt.timedelta(days=1), dt.time(), tzinfo=timezone.get_default_timezone())
