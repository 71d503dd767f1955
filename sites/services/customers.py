"""Customers, contracts, and which sites a contract covers from when to when."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any

from django.db.backends.postgresql.psycopg_any import DateRange

from sites.changes.errors import refuse
from sites.changes.operations import Use, operation
from sites.changes.work import Work
from sites.fields import DayField, facts_of
from sites.models import Contract, Coverage, Customer, Site


@operation("customer.add", "Someone becomes a customer.", of=Customer, use=Use.ANY, shared=True)
def customer_add(work: Work, /, *, name: str, code: str, note: str = "") -> Customer:
    return work.add(Customer(name=name, code=code, note=note))


@operation(
    "customer.alter",
    "What is said of a customer changes.",
    of=Customer,
    takes=facts_of(Customer),
    use=Use.ANY,
    shared=True,
)
def customer_alter(work: Work, /, *, customer: Customer, **given: Any) -> Customer:
    work.alter(customer, given)
    return customer


@operation(
    "contract.add",
    "A contract is made with a customer.",
    of=Contract,
    takes=facts_of(Contract, "reference"),
    use=Use.ANY,
    shared=True,
)
def contract_add(work: Work, /, *, customer: Customer, reference: str, **given: Any) -> Contract:
    return work.add(Contract(customer=customer, reference=reference, **given))


@operation(
    "contract.alter",
    "What a contract says changes.",
    of=Contract,
    takes=facts_of(Contract),
    use=Use.ANY,
    shared=True,
)
def contract_alter(work: Work, /, *, contract: Contract, **given: Any) -> Contract:
    work.alter(contract, given)
    return contract


_Day = Annotated[dt.date, DayField()]
_EndDay = Annotated[dt.date | None, DayField(help_text="The first day not covered.")]


@operation(
    "coverage.add", "A contract covers a site, from a day until before a day.", use=Use.ANY, shared=True
)
def coverage_add(
    work: Work, /, *, contract: Contract, site: Site, first_day: _Day, end_day: _EndDay = None
) -> Coverage:
    if site.customer_id != contract.customer_id:
        detail = f"{site.name} is of another customer than contract {contract.reference}."
        raise refuse(detail, code="other_customer", path="/site_id")
    return work.add(Coverage(contract=contract, site=site, days=_days(first_day, end_day)))


@operation("coverage.alter", "A contract covers a site on other days.", use=Use.ANY, shared=True)
def coverage_alter(
    work: Work, /, *, coverage: Coverage, first_day: _Day, end_day: _EndDay = None
) -> Coverage:
    work.alter(coverage, {"days": _days(first_day, end_day)})
    return coverage


@operation("coverage.remove", "A contract does not cover a site after all.", use=Use.ANY, shared=True)
def coverage_remove(work: Work, /, *, coverage: Coverage) -> Coverage:
    work.remove(coverage)
    return coverage


def _days(first_day: dt.date, end_day: dt.date | None) -> DateRange:
    if end_day is not None and end_day <= first_day:
        detail = f"end_day, the first day not covered, must lie after {first_day}."
        raise refuse(detail, code="invalid", path="/end_day")
    return DateRange(first_day, end_day)
