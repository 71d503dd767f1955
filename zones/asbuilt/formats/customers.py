"""Files about whom the integrator works for, where, and under which contract; and who did what when."""

from __future__ import annotations

from sites.models import ChangeSet, Closet, Contact, Contract, Coverage, Customer, Site
from zones.asbuilt.cells import Email, TimeZone

from .kinds import FOOT, Column, FileKind, Reference, Values, code, day, number, text, whole, word, yes_no

CUSTOMERS = FileKind(
    name="customers",
    about="Whom the integrator works for.",
    model=Customer,
    key=("code",),
    sited=False,
    recorded=False,
    columns=(
        code("code", "Short name used in the other files.", 40, required=True),
        text("name", required=True),
        text("note"),
    ),
)

CONTRACTS = FileKind(
    name="contracts",
    about="Maintenance contracts. Which sites they cover stands in coverages.csv.",
    model=Contract,
    key=("customer", "reference"),
    sited=False,
    recorded=False,
    references=(Reference("customer", "customers", ("customer",), required=True),),
    columns=(
        code("customer", "The customer's code.", 40, field=None, required=True),
        text("reference", limit=80, required=True),
        whole("response_hours", 0, 10_000),
        whole("test_interval_months", 0, 600),
        yes_no(
            "event_when_probable", "Whether a limit that is only probably past sends an event.", default=True
        ),
        text("note"),
    ),
)

SITES = FileKind(
    name="sites",
    about="One installation at one address.",
    model=Site,
    key=("code",),
    sited=False,
    references=(Reference("customer", "customers", ("customer",), required=True),),
    columns=(
        code("code", "The integrator's own key; the column “site” of the other files.", 60, required=True),
        code("customer", "The customer's code.", 40, field=None, required=True),
        text("name", required=True),
        text("address"),
        text("city"),
        text("postal_code", limit=20),
        Column("time_zone", TimeZone(), "Days are days of this zone.", default="UTC"),
        word("length_unit", Site.LengthUnit.values, "Unit that pages show.", default="m"),
        number(
            "design_temperature_c",
            "Conductors are computed at this temperature.",
            minimum=-60,
            maximum=90,
            default=20.0,
        ),
        day("surveyed_on", "For a site taken over: the day its record was taken as found."),
        text("out_of_hours_phone", limit=60),
        text("induction"),
        text("permits"),
        text("dangers"),
        text("note"),
    ),
)


def _days_in_order(values: Values) -> list[tuple[str, str]]:
    until = values.get("covered_until")
    if until is not None and until <= values["covered_from"]:
        return [("covered_until", f"{until} is not after covered_from, {values['covered_from']}")]
    return []


COVERAGES = FileKind(
    name="coverages",
    about="Which site a contract covers, from a day up to, not including, a day. One contract at a time "
    "covers a site.",
    model=Coverage,
    key=("contract", "site", "covered_from"),
    sited=False,
    recorded=False,
    references=(
        Reference("contract", "contracts", ("customer", "contract"), required=True),
        Reference("site", "sites", ("site",), required=True),
    ),
    check=_days_in_order,
    columns=(
        code("customer", "The customer's code.", 40, field=None, required=True),
        text("contract", "The contract's reference.", limit=80, field=None, required=True, default=None),
        code("site", "The site's code.", 60, field=None, required=True),
        day("covered_from", field=None, required=True),
        day("covered_until", "First day that is not covered any more; blank: open.", field=None),
    ),
)

CHANGES = FileKind(
    name="changes",
    about="Who did what, when and why: each row becomes one change set of its site, in order of day, then of "
    "the file.",
    model=ChangeSet,
    key=("change",),
    recorded=False,
    columns=(
        text(
            "change",
            "A key of your own, once a site, that the other files name.",
            limit=80,
            field=None,
            required=True,
            default=None,
        ),
        day("day", "When it happened, in the site's time zone.", field="happened_on", required=True),
        text("person", "Who did it.", limit=150, field="actor", required=True),
        text("job", "Job reference.", limit=80, field="job_reference"),
        text("reason", "Why, in a sentence.", required=True),
        word(
            "kind",
            ChangeSet.Kind.values,
            "Blank: takeover for the first change of a site of which the record has no plant yet, else work.",
        ),
        word(
            "channel",
            ChangeSet.Channel.values,
            "Through which channel it was first recorded.",
            default="import",
        ),
    ),
)

CLOSETS = FileKind(
    name="closets",
    about="Telecommunications spaces, and how a person gets into them. Codes of doors and alarms never stand "
    "in files.",
    model=Closet,
    key=("name",),
    placed=True,
    columns=(
        text("name", "The designation on its door or drawing.", limit=80, required=True),
        text("building", limit=120),
        text("floor", limit=60),
        text("room", limit=120),
        text("directions"),
        text("opened_by", "Who opens it, and when."),
        text("opening_hours", limit=120),
        text("key_location", "Where the key is, never a code.", limit=200),
        text("escort"),
        text("induction"),
        text("permits"),
        text("protective_equipment"),
        text("other_tenants", "Other people's equipment on the same wall."),
        text("dangers"),
        number(
            "ladder_m",
            "Working height that needs a ladder.",
            minimum=0,
            maximum=100,
            units={"ladder_ft": FOOT["ft"]},
        ),
        text("note"),
    ),
)

CONTACTS = FileKind(
    name="contacts",
    about="People to call.",
    model=Contact,
    key=("role", "name"),
    references=(Reference("closet", "closets", ("closet",)),),
    columns=(
        word("role", Contact.Role.values, required=True),
        text("name", limit=120, required=True),
        text("closet", "Where the contact is for one closet only.", limit=80, field=None, default=None),
        text("phone", limit=60),
        Column("email", Email(254), default=""),
        text("hours", limit=120),
        text("note"),
    ),
)
