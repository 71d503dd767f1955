"""Every named rule of the database in words.

A rule is a constraint, or a refusal that a trigger raises under a name of its own (SQLSTATE 23000). Rules of
the rooms above are added by ``add_rules`` where they are made.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from django.db import IntegrityError
from psycopg import errors as pg

from .errors import Problem

# constraint: (sentence, field that it is about)
Rules = Mapping[str, tuple[str, str]]

_rules: dict[str, tuple[str, str]] = {}
SENTENCES: dict[str, str] = {}
"""Constraint name to sentence."""


def add_rules(rules: Rules) -> None:
    """Say, for named rules of the database, what each means to a person."""
    _rules.update(rules)
    SENTENCES.update({name: sentence for name, (sentence, _) in rules.items()})


def of_its_site(**references: str) -> dict[str, tuple[str, str]]:
    """The rules that hold a reference within its site: ``supply="closet"`` is
    ``supply_closet_of_its_site``."""
    return {
        f"{table}_{field}_of_its_site": (
            f"The {field.replace('_', ' ')} must be one of the same site.",
            field,
        )
        for table, fields in references.items()
        for field in fields.split()
    }


def spans(*tables: str) -> dict[str, tuple[str, str]]:
    """The rules that what stands ends after it begins."""
    sentence = "A thing must end after the change set that added it."
    return {f"{table}_ends_after_it_begins": (sentence, "") for table in tables}


def not_negative(table: str, *fields: str) -> dict[str, tuple[str, str]]:
    return {
        f"{table}_{field}_not_negative": (f"{field} must be 0 or more, or blank.", field) for field in fields
    }


def positive(table: str, *fields: str) -> dict[str, tuple[str, str]]:
    return {f"{table}_{field}_positive": (f"{field} must be above 0, or blank.", field) for field in fields}


def name_once(**names: str) -> dict[str, tuple[str, str]]:
    """The rules that a name is given once a site: ``supply="supply"``."""
    return {
        f"{table}_name_once_a_site": (f"Another {word} of this site has this name.", "name")
        for table, word in names.items()
    }


def problem_of(error: IntegrityError | pg.IntegrityError) -> Problem:
    """What ``error`` says to the one whose change broke a rule. COPY raises the driver's error as it is."""
    cause = error if isinstance(error, pg.Error) else error.__cause__
    if not isinstance(cause, pg.Error):
        return Problem(str(error), "refused")
    name = cause.diag.constraint_name or ""
    if name in _rules:
        sentence, field = _rules[name]
        return Problem(sentence, name, f"/{field}" if field else "")
    if isinstance(cause, pg.NotNullViolation):
        field = (cause.diag.column_name or "").removesuffix("_id")
        return Problem(f"{field} must not be blank.", "required", f"/{field}")
    if isinstance(cause, pg.ForeignKeyViolation):
        return _dangling(cause, name)
    return Problem(cause.diag.message_primary or str(cause), name or "refused")


def _dangling(cause: pg.Error, name: str) -> Problem:
    # The server says: Key (model_id)=(7) is not present in table "device_model"
    said = re.search(r"\((\w+)\)=\((\d+)\).*table \"(\w+)\"", cause.diag.message_detail or "")
    if said is None:
        return Problem("Something that this refers to is not there, or still refers to it.", name)
    field, pk, table = said[1].removesuffix("_id"), said[2], said[3].replace("_", " ")
    return Problem(f"There is no {table} {pk}.", name, f"/{field}")


add_rules(
    {
        # Change sets and the record
        "record_write_names_its_change_set": (
            "A write to the record says which change set it belongs to (SET LOCAL zonebook.change_set).",
            "",
        ),
        "record_row_names_its_change_set": (
            "A row of the record must name the change set that its transaction has named.",
            "",
        ),
        "record_change_set_accepted_just_now": (
            "A row can only be written by a change set that was accepted in the same transaction.",
            "",
        ),
        "record_change_set_of_its_site": (
            "A change set writes rows of its own site only; what all sites share takes one of no site.",
            "",
        ),
        "record_row_stays_itself": ("A row keeps its id and its site.", ""),
        "record_holds_from_its_own_step": (
            "What a change set writes holds from its own step; only a correction may move it.",
            "",
        ),
        "record_facts_are_superseded": (
            "Facts are superseded by new ones, not rewritten; better knowledge is a correction.",
            "",
        ),
        "record_is_never_deleted": ("The record is never deleted: a thing ends at a step.", ""),
        "change_is_written_by_triggers": (
            "The change record is written by the database and nobody else.",
            "",
        ),
        "change_is_only_added_to": ("The change record is only ever added to.", ""),
        "secret_reveal_is_only_added_to": ("The log of revealed codes is only ever added to.", ""),
        "change_set_accepted_has_day": (
            "A change set is accepted with the day on which it happened.",
            "happened_on",
        ),
        "change_set_accepted_has_step": ("An accepted change set of a site has a step.", ""),
        "change_set_accepted_never_changes": ("An accepted change set never changes; make another one.", ""),
        "change_set_withdrawn_is_not_accepted": (
            "This change set is withdrawn; make it a draft again first.",
            "",
        ),
        "change_set_keeps_its_site": ("A change set stays with its site.", "site"),
        "change_set_step_once_a_site": ("A site takes 65535 change sets a day at most.", "happened_on"),
        "change_set_of_site": ("There is a change set with this id.", ""),
        "change_set_has_reason": ("Say why: a change set has a reason.", "reason"),
        "change_set_has_actor": ("Say who: a change set has someone who did it.", "actor"),
        # Customers, contracts, access
        "customer_name_key": ("Another customer has this name.", "name"),
        "customer_code_key": ("Another customer has this code.", "code"),
        "contract_reference_once_a_customer": (
            "Another contract of this customer has this reference.",
            "reference",
        ),
        "coverage_has_days": ("The first day must lie before the day after the last one.", "days"),
        "coverage_one_contract_a_site_at_a_time": (
            "Another contract covers this site on some of these days.",
            "days",
        ),
        "account_username_key": ("Another user has this name.", "username"),
        "user_reader_has_own_customers_only": (
            "A reader is a customer's own staff, and so never granted all customers.",
            "all_customers",
        ),
        "grant_once": ("This user is granted this customer already.", "customer"),
        "token_digest_key": ("There is a token with this secret.", ""),
        # Sites, closets, people
        "site_code_key": ("Another site has this code.", "code"),
        "site_design_temperature_plausible": (
            "The design temperature must lie between −60 and 90 °C.",
            "design_temperature_c",
        ),
        "contact_once_a_role": ("This person is recorded in this role already.", "name"),
        "secret_label_once_a_site": ("Another code of this site has this label.", "label"),
        # Catalogue
        "device_model_name_key": ("Another device model has this name.", "name"),
        "device_model_tolerance_fraction": (
            "voltage_tolerance is a fraction from 0 to below 1.",
            "voltage_tolerance",
        ),
        "device_model_poe_class_0_to_8": ("A PoE class is 0 to 8, or blank.", "poe_class"),
        **not_negative(
            "device_model",
            "idle_current_a",
            "speech_current_a",
            "full_output_current_a",
            "idle_power_w",
            "full_output_power_w",
            "minimum_voltage_v",
            "idle_poe_w",
            "paging_poe_w",
            "poe_budget_w",
            "poe_budget_one_lost_w",
        ),
        **positive(
            "device_model",
            "input_impedance_ohm",
            "input_sensitivity_v",
            "nominal_impedance_ohm",
            "output_impedance_ohm",
            "output_level_v",
            "rated_current_a",
            "no_load_voltage_v",
            "rated_load_voltage_v",
            "lowest_voltage_v",
            "rated_power_w",
            "minimum_impedance_ohm",
        ),
        "cable_type_name_key": ("Another cable type has this name.", "name"),
        "cable_type_gauge_10_to_30": ("A gauge is 10 to 30 AWG, or blank.", "gauge_awg"),
        "cable_type_rating_positive": ("A conductor's rating is above 0 A, or blank.", "conductor_rating_a"),
        "cable_type_has_pairs": ("A cable has at least one pair.", "pair_count"),
        "factor_name_key": ("This factor is edited already.", "name"),
        # Equipment
        "block_rows_1_to_400": ("A block has 1 to 400 rows.", "row_count"),
        "amplifier_facts_line_voltage_positive": (
            "A line's voltage is above 0 V; blank for low impedance.",
            "line_voltage_v",
        ),
        "switch_facts_usage_threshold_1_to_99_percent": (
            "A usage threshold is a fraction from 0.01 to 0.99.",
            "usage_threshold",
        ),
        "switch_port_number_once_a_switch": ("Another port of this switch has this number.", "number"),
        "switch_port_facts_class_0_to_8": ("A PoE class is 0 to 8, or blank.", "other_load_class"),
        "switch_port_facts_power_not_negative": ("Power is 0 W or more, or blank.", "other_load_power_w"),
        "endpoint_facts_length_and_basis": (
            "A length of 0 m or more comes with its basis: guessed, drawing, marked or measured.",
            "cable_length_m",
        ),
        "endpoint_facts_port_means_power_from_it": (
            "An endpoint on a switch port has power_source port.",
            "power_source",
        ),
        "endpoint_facts_class_0_to_8": ("A PoE class is 0 to 8, or blank.", "negotiated_class"),
        "endpoint_facts_negotiated_power_not_negative": (
            "Power is 0 W or more, or blank.",
            "negotiated_power_w",
        ),
        "endpoint_facts_vlan_1_to_4094": ("A VLAN is 1 to 4094, or blank.", "vlan"),
        "output_number_once_an_endpoint": ("Another output of this endpoint has this number.", "number"),
        "output_number_from_1": ("Outputs are numbered from 1.", "number"),
        **{
            f"{table}_of_site": (f"There is a {table.replace('_', ' ')} with this id.", "")
            for table in (
                "closet",
                "block",
                "supply",
                "amplifier",
                "switch",
                "switch_port",
                "endpoint",
                "output",
            )
        },
        **name_once(
            closet="closet",
            block="block",
            supply="supply",
            amplifier="amplifier",
            switch="switch",
            endpoint="endpoint",
        ),
        **of_its_site(
            contact="closet",
            secret="closet",  # noqa: S106 - a table
            block="closet",
            supply="closet",
            supply_facts="supply",
            amplifier="closet",
            amplifier_facts="amplifier",
            switch="closet",
            switch_facts="switch",
            switch_port="switch",
            switch_port_facts="port",
            endpoint="closet",
            endpoint_facts="endpoint port",
            output="endpoint",
        ),
        **spans("closet", "block", "supply", "amplifier", "switch", "switch_port", "endpoint", "output"),
        "event_sequence_key": ("Another event has this place in the feed.", ""),
    }
)
