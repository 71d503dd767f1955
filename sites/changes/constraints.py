"""Every named rule of the database in words.

A rule is a constraint, or a refusal that a trigger raises under a name of its own (SQLSTATE 23000). Rules of
the rooms above are added by ``add_rules`` where they are made.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping

from django.apps import apps
from django.db import IntegrityError
from psycopg import errors as pg

from sites.fields import Fact
from sites.models.access import MOST_SCOPES
from sites.models.changes import MOST_OPERATIONS
from sites.models.subscriptions import MOST_KINDS

from .errors import Problem

RULES: dict[str, tuple[str, str]] = {}
"""The rules that have a sentence of their own: constraint to sentence, and the field that it is about."""

# Rules of many tables, by their names: with {table} and {field} in words
_PATTERNS = {
    "{table}_of_site": ("There is another {table} with this id.", ""),
    "{table}_name_once_a_site": ("Another {table} of this site has this name.", "name"),
    "{table}_ends_after_it_begins": ("A thing must end after the change set that added it.", ""),
    "{table}_in_use": ("This {table} is still used: see to what uses it first.", ""),
    "{table}_model_of_its_kind": ("The model is of another kind of device.", "model_id"),
    "{table}_{field}_of_its_site": ("The {field} must be one of the same site.", "{field}_id"),
    "{table}_{field}_stands": (
        "The {field} does not stand all that time: it comes later, or ends before.",
        "{field}_id",
    ),
}


def add_rules(rules: Mapping[str, str | tuple[str, str]]) -> None:
    """Say, for named rules of the database, what each means to a person; with the field where it is about
    one."""
    RULES.update({name: (said, "") if isinstance(said, str) else said for name, said in rules.items()})


def rule_in_words(name: str) -> tuple[str, str] | None:
    """What a named rule of the database means to a person, and the field that it is about."""
    if name in RULES:
        return RULES[name]
    for pattern, (sentence, field) in _PATTERNS.items():
        found = re.fullmatch(pattern.format(table=f"(?P<table>{_tables()})", field=r"(?P<field>\w+)"), name)
        if found:
            words = {part: text.replace("_", " ") for part, text in found.groupdict().items()}
            return sentence.format(**words), field.format(**found.groupdict())
    return None


@functools.cache
def _tables() -> str:
    """The names of all tables as a regular expression, the longest first."""
    return "|".join(sorted((model._meta.db_table for model in apps.get_models()), key=len, reverse=True))


@functools.cache
def facts() -> dict[str, Fact]:
    """The fields by the name that the CHECK of their column has: ``run_facts_fuse_rating_a_check``."""
    return {
        f"{model._meta.db_table}_{field.column}_check": field
        for model in apps.get_models()
        for field in model._meta.local_fields
        if isinstance(field, Fact)
    }


def problem_of(error: IntegrityError | pg.IntegrityError) -> Problem:
    """What ``error`` says to the person whose change broke a rule. COPY raises the driver's own error."""
    cause = error if isinstance(error, pg.Error) else error.__cause__
    if not isinstance(cause, pg.Error):
        return Problem(str(error), "refused")
    name = cause.diag.constraint_name or ""
    rule = rule_in_words(name)
    if rule is not None:
        return Problem(rule[0], name, f"/{rule[1]}" if rule[1] else "")
    if name in facts():
        return Problem(facts()[name].sentence, "invalid", f"/{facts()[name].name}")
    if isinstance(cause, pg.NotNullViolation):
        field = cause.diag.column_name or ""
        return Problem(f"{field} must not be blank.", "required", f"/{field}")
    if isinstance(cause, pg.ForeignKeyViolation):
        return _dangling(cause, name)
    return Problem(cause.diag.message_primary or str(cause), name or "refused")


def _dangling(cause: pg.Error, name: str) -> Problem:
    # The server says: Key (model_id)=(7) is not present in table "device_model"
    said = re.search(r"\((\w+)\)=\((\d+)\).*table \"(\w+)\"", cause.diag.message_detail or "")
    if said is None:
        return Problem("Something that this refers to is not there, or still refers to it.", name)
    field, pk, table = said[1], said[2], said[3].replace("_", " ")
    return Problem(f"There is no {table} {pk}.", name, f"/{field}")


add_rules(
    {
        # Change sets and the record
        "record_write_names_its_change_set": (
            "A write to the record says which change set it belongs to (SET LOCAL zonebook.change_set)."
        ),
        "record_row_names_its_change_set": (
            "A row of the record must name the change set that its transaction has named."
        ),
        "record_change_set_accepted_just_now": (
            "A row can only be written by a change set that was accepted in the same transaction."
        ),
        "record_change_set_of_its_site": (
            "A change set writes rows of its own site only; write what all sites share in one without a site."
        ),
        "record_row_stays_itself": "A row keeps its id and its site.",
        "record_holds_from_its_own_step": (
            "What a change set writes holds from its own step; only a correction may move it."
        ),
        "record_facts_are_superseded": (
            "Add new facts instead of rewriting old ones. If the record was wrong, record a correction."
        ),
        "record_is_never_deleted": "The record is never deleted: a thing ends at a step.",
        "change_is_written_by_triggers": "Only the database writes the change record.",
        "change_is_only_added_to": "The change record only grows: its rows are never changed or removed.",
        "secret_reveal_is_only_added_to": (
            "The log of revealed codes only grows: its rows are never changed or removed."
        ),
        "change_set_of_a_day_to_come_is_planned": (
            "happened_on is after today at the site: say planned: true if that is agreed, or keep a draft.",
            "happened_on",
        ),
        "change_set_accepted_has_day": (
            "A change set is accepted with the day on which it happened.",
            "happened_on",
        ),
        "change_set_operations_limited": (
            f"A change set holds at most {MOST_OPERATIONS} operations: make several.",
            "operations",
        ),
        "change_set_accepted_has_step": "An accepted change set of a site has a step.",
        "change_set_accepted_never_changes": "An accepted change set never changes; make another one.",
        "change_set_withdrawn_is_not_accepted": "This change set is withdrawn; make it a draft again first.",
        "change_set_withdrawn_stays_so": (
            "This change set was recorded and then withdrawn, which is final: make another one."
        ),
        "withdrawal_of_an_accepted_change_set": "Only an accepted change set of one site is withdrawn.",
        "withdrawal_on_the_day_of_recording": (
            "A change set is withdrawn on the day it was recorded, by the site's clock, and on no later one: "
            "record a correction."
        ),
        "withdrawal_is_whole": (
            "A change set that adds a site, or wrote no row of its own, cannot be withdrawn: record a "
            "correction."
        ),
        "withdrawal_of_what_was_recorded_last": (
            "Something that this change set wrote was recorded again later: withdraw that first, or record a "
            "correction."
        ),
        "withdrawal_is_only_added_to": "A withdrawal stays as it was made.",
        "person_removal_is_only_added_to": "A removal is final.",
        "change_set_keeps_its_site": ("A change set stays with its site.", "site_id"),
        "change_set_step_once_a_site": ("A site takes 65535 change sets a day at most.", "happened_on"),
        # Customers, contracts, access
        "customer_name_once": ("Another customer has this name.", "name"),
        **{
            f"{table}_code_{rule}": (f"Another {table} has this code.", "code")
            for table in ("customer", "site")
            for rule in ("key", "once")
        },
        "contract_reference_once_a_customer": (
            "Another contract of this customer has this reference.",
            "reference",
        ),
        "contract_working_hours_stated": (
            "Cover in working hours needs working_days, and working_from before working_until.",
            "cover_hours",
        ),
        "coverage_days_within_range": ("A contract covers days from 1970 to 2200.", "days"),
        "coverage_has_days": ("The first day must lie before the day after the last one.", "days"),
        "coverage_one_contract_a_site_at_a_time": (
            "Another contract covers this site on some of these days.",
            "days",
        ),
        **{
            f"account_username_{rule}": ("Another user has this username.", "username")
            for rule in ("key", "once")
        },
        "user_reader_has_own_customers_only": (
            "A reader is a customer's own staff, and so never granted all customers.",
            "all_customers",
        ),
        "grant_once": ("This user is granted this customer already.", "customer_id"),
        "token_digest_key": "There is a token with this secret.",
        "calendar_digest_key": "There is a calendar with this key.",
        "kept_answer_once": "A request was answered under this Idempotency-Key already.",
        "token_scopes_at_most_40": (f"A token has at most {MOST_SCOPES} scopes.", "scopes"),
        "subscription_kinds_at_most_40": (f"A subscription names at most {MOST_KINDS} kinds.", "kinds"),
        "subscription_off_with_a_reason": ("A subscription that is off says why, and no other.", "state"),
        "delivery_once_an_event": "This event is sent to this subscription already.",
        "feed_is_one": "There is one feed of events.",
        # Sites, closets, people
        "contact_once_a_role": ("This person is recorded in this role already.", "name"),
        "secret_label_once_a_site": ("Another code of this site has this label.", "label"),
        # Catalogue
        "device_model_name_once": ("Another device model has this name.", "name"),
        "cable_type_name_once": ("Another cable type has this name.", "name"),
        "factor_name_once": ("This factor is edited already.", "name"),
        "instrument_name_once": ("Another instrument has this name.", "name"),
        "instrument_calibrated": (
            "That calibration is to come: give the day of the last one.",
            "calibrated_on",
        ),
        "instrument_due_after_calibration": (
            "A calibration is due on a later day than it was made.",
            "calibration_due_on",
        ),
        # Equipment
        "switch_port_number_once_a_switch": ("Another port of this switch has this number.", "number"),
        "endpoint_facts_length_and_basis": (
            "A length comes with its basis: guessed, drawing, marked or measured.",
            "cable_length_m",
        ),
        "endpoint_facts_port_means_power_from_it": (
            "An endpoint on a switch port has power_source port.",
            "power_source",
        ),
        "output_number_once_an_endpoint": ("Another output of this endpoint has this number.", "number"),
        "device_model_kind_stays": ("A device model keeps its kind: add another model.", "kind"),
        "endpoint_facts_port_taken": ("Another device is on this port.", "port_id"),
        "event_sequence_key": "Another event has this place in the feed.",
    }
)
