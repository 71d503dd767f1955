"""Customers, contracts, and which sites a contract covers from when to when."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

from django.db.backends.postgresql.psycopg_any import DateRange

from sites.changes.errors import refuse
from sites.changes.operations import Use, operation
from sites.changes.work import Work
from sites.fields import DayField
from sites.models import Contract, Coverage, Customer, Site
from sites.rules.contracts import working_hours_stated

from .usual import Usual

_CUSTOMER = Usual(Customer)
customer_add = _CUSTOMER.adds("Someone becomes a customer.", "name", "code")
customer_alter = _CUSTOMER.alters("What is said of a customer changes.")

_CONTRACT = Usual(Contract, agreeing=working_hours_stated)
contract_add = _CONTRACT.adds("A contract is made with a customer.", "customer", "reference")
contract_alter = _CONTRACT.alters("What a contract says changes.")

coverage_remove = Usual(Coverage).removes("A contract does not cover a site after all.")
_Day = Annotated[dt.date, DayField()]
_EndDay = Annotated[dt.date | None, DayField(help_text="The first day not covered.")]


@operation(
    "coverage.add", "A contract covers a site, from a day until before a day.", use=Use.ANY, shared=True
)
def coverage_add(
    work: Work, /, *, contract: Contract, site: Site, first_day: _Day, end_day: _EndDay = None
) -> Coverage:
    if site.customer_id != contract.customer_id:
        detail = f"{site.name} belongs to another customer than contract {contract.reference}."
        raise refuse(detail, code="other_customer", path="/site_id")
    return work.add(Coverage(contract=contract, site=site, days=_days(first_day, end_day)))


@operation("coverage.alter", "A contract covers a site on other days.", use=Use.ANY, shared=True)
def coverage_alter(
    work: Work, /, *, coverage: Coverage, first_day: _Day, end_day: _EndDay = None
) -> Coverage:
    work.alter(coverage, {"days": _days(first_day, end_day)})
    return coverage


def _days(first_day: dt.date, end_day: dt.date | None) -> DateRange:
    if end_day is not None and end_day <= first_day:
        detail = f"end_day, the first day not covered, must lie after {first_day}."
        raise refuse(detail, code="invalid", path="/end_day")
    return DateRange(first_day, end_day)
