"""What would break a client of the last release fails here. `tests.api.compatibility` says what that is."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any, Final

import pytest

from api.conventions.schema import description
from api.database.releases import RELEASES
from tests.api.compatibility import breaks, kept

# Nobody was promised that programs of this release go on; those of every later one do
BEFORE_THE_PROMISE: Final = "0.2.0"


def test_the_description_of_the_last_release_is_kept() -> None:
    release, _ = kept()
    assert release == RELEASES[-1].version, "cut with: python -m tests.api.compatibility"


def test_a_client_of_the_last_release_goes_on() -> None:
    release, released = kept()
    found = breaks(released, description())
    if release == BEFORE_THE_PROMISE:
        # Announced in the changelog: the place of a key is in no list any more
        assert "GET /api/v1/closets: answer/items/*/key_location is gone" in found
    else:
        assert found == []


def test_a_description_breaks_nothing_of_itself() -> None:
    assert breaks(description(), description()) == []


# --- what counts --------------------------------------------------------------------------------------------

ZONES, ZONE = "/api/v1/zones", "/api/v1/zones/{id}"
Change = Callable[[dict[str, Any]], Any]


def component(name: str) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda whole: whole["components"]["schemas"][name]


def properties(name: str) -> Callable[[dict[str, Any]], dict[str, Any]]:
    return lambda whole: whole["components"]["schemas"][name]["properties"]


def parameter(whole: dict[str, Any], name: str) -> dict[str, Any]:
    listed = whole["paths"][ZONES]["get"]["parameters"]
    found: dict[str, Any] = next(one for one in listed if one["name"] == name)
    return found


BREAKING: dict[str, tuple[Change, str]] = {
    "an address goes": (lambda whole: whole["paths"].pop(ZONE), f"DELETE {ZONE} is gone"),
    "a method goes": (lambda whole: whole["paths"][ZONE].pop("patch"), f"PATCH {ZONE} is gone"),
    "an id changes": (
        lambda whole: whole["paths"][ZONES]["get"].update(operationId="all_zones"),
        f"GET {ZONES}: operationId was zones_list, and is all_zones",
    ),
    "another scope is needed": (
        lambda whole: whole["paths"][ZONES]["get"].update({"x-ability": "admin"}),
        f"GET {ZONES}: x-ability was record:read, and is admin",
    ),
    "a parameter goes": (
        lambda whole: whole["paths"][ZONES]["get"]["parameters"].remove(parameter(whole, "name")),
        f"GET {ZONES}: parameter name is gone",
    ),
    "a parameter must be given": (
        lambda whole: parameter(whole, "site_id").update(required=True),
        f"GET {ZONES}: parameter site_id must be given",
    ),
    "a parameter takes less": (
        lambda whole: parameter(whole, "page_size")["schema"].update(maximum=100),
        f"GET {ZONES}: parameter page_size has maximum 100, which was 500",
    ),
    "a parameter takes fewer words": (
        lambda whole: parameter(whole, "ended")["schema"].update(enum=["no", "yes"]),
        f"GET {ZONES}: parameter ended takes any no more",
    ),
    "a value of a body goes": (
        lambda whole: properties("ZoneAdd")(whole).pop("note"),
        f"POST {ZONES}: body/note is gone",
    ),
    "a value of a body must be given": (
        lambda whole: component("ZoneAdd")(whole)["required"].append("page_code"),
        f"POST {ZONES}: body/page_code must be given",
    ),
    "a value within a body must be given": (
        lambda whole: component("Why")(whole)["required"].append("done_by"),
        f"POST {ZONES}: body/change/done_by must be given",
    ),
    "a body takes another type": (
        lambda whole: properties("ZoneAdd")(whole).update(name={"type": "integer"}),
        f"POST {ZONES}: body/name was string, and is integer",
    ),
    "a body takes no null any more": (
        lambda whole: properties("ZoneAdd")(whole).update(priority={"type": "integer"}),
        f"POST {ZONES}: body/priority was null, and is integer",
    ),
    "a text of a body has a form": (
        lambda whole: properties("ZoneAdd")(whole)["page_code"].update(pattern="^[0-9]+$"),
        f"POST {ZONES}: body/page_code must match ^[0-9]+$",
    ),
    "a value of an answer goes": (
        lambda whole: properties("Zone")(whole).pop("page_code"),
        f"GET {ZONES}: answer/items/*/page_code is gone",
    ),
    "a value of an answer may be missing": (
        lambda whole: component("ZoneList")(whole)["required"].remove("next"),
        f"GET {ZONES}: answer/next may be missing",
    ),
    "a value of an answer may be null": (
        lambda whole: properties("Zone")(whole).update(name={"type": ["string", "null"]}),
        f"GET {ZONES}: answer/items/*/name was string, and is null or string",
    ),
    "an answer goes": (
        lambda whole: whole["paths"][ZONES]["post"]["responses"].update({"200": {}}) or
        whole["paths"][ZONES]["post"]["responses"].pop("201"),
        f"POST {ZONES}: no answer 201 any more",
    ),
    "an event goes": (
        lambda whole: whole["webhooks"].pop("case.opened"),
        "webhook case.opened is gone",
    ),
    "a value of an event goes": (
        lambda whole: properties("CaseOpenedEventData")(whole).pop("contacts"),
        "webhook case.opened: answer/data/contacts is gone",
    ),
}  # fmt: skip

NOT_BREAKING: dict[str, Change] = {
    "another address": lambda whole: whole["paths"].update({"/api/v1/parts": whole["paths"][ZONES]}),
    "another parameter": lambda whole: whole["paths"][ZONES]["get"]["parameters"].append(
        {"in": "query", "name": "colour", "schema": {"type": "string"}}
    ),
    "another value of a body": lambda whole: properties("ZoneAdd")(whole).update(colour={"type": "string"}),
    "a longer text": lambda whole: properties("ZoneAdd")(whole)["name"].update(maxLength=4000),
    "a body takes null too": lambda whole: properties("ZoneAdd")(whole).update(
        name={"anyOf": [properties("ZoneAdd")(whole)["name"], {"type": "null"}]}
    ),
    "another value of an answer": lambda whole: properties("Zone")(whole).update(colour={"type": "string"}),
    "another word of an answer": lambda whole: properties("Case")(whole)["severity"]["enum"].append("x"),
    "other texts": lambda whole: whole["paths"][ZONES]["get"].update(summary="All zones", description="…"),
}


def changed(change: Change) -> dict[str, Any]:
    new = copy.deepcopy(description())
    change(new)
    return new


@pytest.mark.parametrize("case", BREAKING)
def test_what_breaks_a_client_is_named(case: str) -> None:
    change, said = BREAKING[case]
    assert said in breaks(description(), changed(change))


@pytest.mark.parametrize("case", NOT_BREAKING)
def test_what_breaks_no_client_is_not(case: str) -> None:
    new = changed(NOT_BREAKING[case])
    assert new != description()
    assert breaks(description(), new) == []
