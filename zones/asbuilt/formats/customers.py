"""Files about customers, sites and contracts; and who did what when."""

from __future__ import annotations

from collections.abc import Iterator

from sites.changes.errors import Problem
from sites.fields import DayField
from sites.models import ChangeSet, Closet, Contact, Contract, Coverage, Customer, Site
from sites.rules.contracts import working_hours_stated
from zones.asbuilt.cells import Day

from .kinds import KEY, Column, OfField, Reference, Values, file_kind

CUSTOMERS = file_kind(
    "customers",
    "Customers of the integrator.",
    model=Customer,
    key=("code",),
)
_CUSTOMER = Reference("customer", "customers", ("customer",), required=True, help=("The customer's code.",))

CONTRACTS = file_kind(
    "contracts",
    "Maintenance contracts. Which sites they cover stands in coverages.csv.",
    _CUSTOMER,
    model=Contract,
    key=("customer", "reference"),
    check=working_hours_stated,
)

SITES = file_kind(
    "sites",
    "One installation at one address.",
    OfField("code", help="The integrator's own key; the column “site” of the other files."),
    _CUSTOMER,
    model=Site,
    key=("code",),
    recorded=True,
)


def _days_in_order(values: Values) -> Iterator[Problem]:
    until = values.get("covered_until")
    if until is not None and until <= values["covered_from"]:
        detail = f"{until} is not after covered_from, {values['covered_from']}"
        yield Problem(detail, "invalid", "/covered_until")


COVERAGES = file_kind(
    "coverages",
    "Which site a contract covers, from a day up to, not including, a day. One contract at a time covers a "
    "site.",
    Reference("contract", "contracts", ("customer", "contract"), required=True, help=(_CUSTOMER.help[0],)),
    Reference("site", "sites", ("site",), required=True, help=("The site's code.",)),
    Column("covered_from", Day(DayField()), required=True),
    Column("covered_until", Day(DayField()), "First day no longer covered; blank: open."),
    model=Coverage,
    key=("contract", "site", "covered_from"),
    check=_days_in_order,
)

CHANGES = file_kind(
    "changes",
    "Who did what, when and why: each row becomes one change set of its site, in order of day, then of the "
    "file. They are recorded in the order of the file.",
    Column(
        "change",
        KEY,
        "A key of your own, once a site, that the other files name.",
        required=True,
    ),
    OfField("happened_on", "day", "When it happened, in the site's time zone.", more={"required": True}),
    OfField(
        "actor",
        "person",
        "Who recorded it; who did the work too, where done_by is blank.",
        more={"required": True},
    ),
    OfField("done_by"),
    OfField("job_reference", "job", "Job reference."),
    OfField("planned", help="Whether it is planned for a day to come; blank: no."),
    OfField("reason", help="Why, in a sentence."),
    OfField(
        "kind",
        help="Blank: takeover for the first change of a site that has no plant in the record yet, else work.",
        more={"default": None},
    ),
    OfField(
        "channel",
        help="Through which channel it was first recorded.",
        more={"required": False, "default": ChangeSet.Channel.IMPORT.value},
    ),
    model=ChangeSet,
    only=("happened_on", "actor", "done_by", "job_reference", "planned", "reason", "kind", "channel"),
    key=("change",),
    sited=True,
)

CLOSETS = file_kind(
    "closets",
    "Telecommunications spaces, and how a person gets into them. Codes of doors and alarms never stand in "
    "files.",
    OfField(
        "key_location",
        help="Where the key is, never a code. Never exported: ask the site contact.",
        more={"exported": False},
    ),
    model=Closet,
)

CONTACTS = file_kind(
    "contacts",
    "People to call.",
    OfField("closet", help="Where the contact is for one closet only."),
    model=Contact,
    key=("role", "name"),
)
