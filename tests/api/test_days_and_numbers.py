"""One range of days for everything, and numbers of hundreds of digits: whatever the channel, what is out of
range is refused with where it stands and what would be right; what is at the ends of the range is taken."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from api.conventions.schema import description
from sites.changes.errors import ChangeRefused
from sites.fields import FIRST_DAY, LAST_DAY
from sites.models import Closet
from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import ROOT, get
from tests.halls import Hall, make_hall
from tests.zones.asbuilt.folders import as_files, pier, take
from zones.asbuilt.files import LONGEST_CELL
from zones.asbuilt.problems import sentence_of
from zones.asbuilt.resolving import Importer
from zones.asbuilt.services import import_files

RIGHT = "a day such as 2026-11-25, from 1970 to 2200"
OUTSIDE = pytest.mark.parametrize("day", ["0001-01-01", "1969-12-31", "2201-01-01", "9999-12-31"])
WHY = {"reason": "as built"}
DIGITS = "9" * 400


@pytest.fixture
def hall(closet: Closet) -> Hall:
    return make_hall(closet, factories.make_block(closet))


@pytest.fixture
def client(manager: User, with_token: Caller) -> Client:
    return with_token(manager)


def sent(client: Client, address: str, body: str | dict[str, Any]) -> Any:
    return client.post(f"{ROOT}/{address}", body, content_type="application/json")


def refused(answer: Any, pointer: str, right: str) -> None:
    assert answer.status_code == 400, answer.content
    stated = {one.get("pointer", one.get("parameter")): one["detail"] for one in answer.json()["errors"]}
    assert right in stated[pointer], stated
    assert len(answer.content) < 10_000


def days_of_queries(kind: str = "date") -> Iterator[tuple[str, str]]:
    """The parameters of queries that are days, or times (`date-time`), for every GET."""
    for path, methods in description()["paths"].items():
        for one in methods.get("get", {}).get("parameters", []):
            if one["in"] == "query" and one["schema"].get("format") == kind:
                yield path.replace("{id}", "1"), one["name"]


# --- days ---------------------------------------------------------------------------------------------------


@OUTSIDE
def test_every_day_of_a_query_is_in_the_range(client: Client, settings: Any, day: str) -> None:
    settings.REQUESTS_PER_MINUTE = 10**9
    asked = list(days_of_queries())
    assert len(asked) > 30
    for path, name in asked:
        refused(client.get(path, {name: day}), name, f"Expected {RIGHT}")


@pytest.mark.parametrize(
    "time", ["0001-01-01T00:00:00Z", "1969-12-31T23:59:59Z", "9999-12-31T23:59:59-12:00"]
)
def test_every_time_of_a_query_is_in_the_range(client: Client, settings: Any, time: str) -> None:
    settings.REQUESTS_PER_MINUTE = 10**9
    asked = list(days_of_queries("date-time"))
    assert len(asked) > 8
    for path, name in asked:
        refused(client.get(path, {name: time}), name, "14:05:00Z, from 1970 to 2200")


@pytest.mark.parametrize("time", ["1970-01-01T00:00:00+14:00", "2200-12-31T23:59:59-12:00"])
def test_times_at_the_ends_of_the_range_are_answered(closet: Closet, with_token: Caller, time: str) -> None:
    """In UTC one is a day before the first, the other a day after the last."""
    client = with_token(factories.make_user(User.Role.MANAGER, customers=[closet.site.customer]))
    for path, name in days_of_queries("date-time"):
        answer = client.get(path, {name: time})
        assert answer.status_code == 200, (path, name, answer.content)


@pytest.mark.parametrize("day", [FIRST_DAY, LAST_DAY])
def test_the_ends_of_the_range_are_answered(
    hall: Hall, client: Client, reader: User, with_token: Caller, day: dt.date
) -> None:
    """The day after the last one has a midnight in every time zone."""
    of_one_customer = with_token(reader)
    standing = day == LAST_DAY
    for address in (
        f"closets/{hall.closet.pk}/sheet",
        f"zones/{hall.zone.pk}/load",
        f"zones/{hall.zone.pk}/history",
    ):
        answer = client.get(f"{ROOT}/{address}", {"as_of": day.isoformat()})
        assert answer.status_code == (200 if standing else 404), (address, answer.content)
    get(client, f"sites/{hall.site.pk}/survey", as_of=day.isoformat())
    for path, name in days_of_queries():
        if "/1" not in path:
            answer = of_one_customer.get(path, {name: day.isoformat()})
            assert answer.status_code == 200, (path, name, answer.content)


@OUTSIDE
def test_every_day_of_a_body_is_in_the_range(hall: Hall, client: Client, day: str) -> None:
    site, contract = hall.site, factories.make_contract(hall.site.customer)
    zone: dict[str, Any] = {"site_id": site.pk, "name": "Deck", "change": {**WHY, "happened_on": day}}
    refused(sent(client, "zones", zone), "/change/happened_on", RIGHT)
    planned = {**zone, "change": {**WHY, "happened_on": day, "planned": True}}
    refused(sent(client, "zones", planned), "/change/happened_on", RIGHT)
    coverage = {"contract_id": contract.pk, "site_id": site.pk, "first_day": day, "change": WHY}
    refused(sent(client, "coverages", coverage), "/first_day", RIGHT)
    supply = {"closet_id": hall.closet.pk, "name": "PS 9", "battery_installed_on": day, "change": WHY}
    refused(sent(client, "supplies", supply), "/battery_installed_on", RIGHT)
    operation = {"op": "supply.alter", "supply_id": hall.supply.pk, "battery_installed_on": day}
    draft = {"site_id": site.pk, "reason": "a plan", "happened_on": day, "operations": [operation]}
    answer = sent(client, "change-sets", draft)
    refused(answer, "/happened_on", RIGHT)
    refused(answer, "/operations/0/battery_installed_on", RIGHT)
    address = f"{ROOT}/supplies/{hall.supply.pk}/correct"
    corrected = client.post(
        address,
        {"model_id": None, "held_on": day, "change": WHY},
        content_type="application/json",
        headers={"If-Match": client.get(f"{ROOT}/supplies/{hall.supply.pk}")["ETag"]},
    )
    refused(corrected, "/held_on", RIGHT)
    token = {"scopes": ["record:read"], "expires_at": f"{day}T23:59:59-12:00"}
    refused(sent(client, "tokens", token), "/expires_at", "from 1970 to 2200")


@OUTSIDE
def test_every_day_of_a_file_is_in_the_range(db: None, day: str) -> None:
    for name, column in (("changes", "day"), ("coverages", "covered_from"), ("tests", "taken_on")):
        folder = pier()
        folder[name][0][column] = day
        with pytest.raises(ChangeRefused) as caught:
            take(folder)
        stated = [sentence_of(problem) for problem in caught.value.problems]
        assert f"{name}.csv, row 2, column {column}: “{day}”: expected {RIGHT}" in stated


@OUTSIDE
@pytest.mark.parametrize(
    "words",
    [["recheck", "--as-of"], ["token", "mara", "--scope", "record:read", "--expires"]],
    ids=["recheck", "token"],
)
def test_every_day_of_a_command_is_in_the_range(manager: User, day: str, words: list[str]) -> None:
    words = [manager.username if word == "mara" else word for word in words]
    with pytest.raises(CommandError, match=f"{words[-1]} {day}: expected {RIGHT}") as caught:
        call_command(*words, day, stdout=StringIO(), stderr=StringIO())
    assert caught.value.returncode == 2


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("day", [FIRST_DAY, LAST_DAY])
def test_a_recheck_as_of_the_ends_of_the_range(hall: Hall, day: dt.date) -> None:
    out = StringIO()
    call_command("recheck", "--as-of", day.isoformat(), "--json", stdout=out)
    assert json.loads(out.getvalue().splitlines()[0])["as_of"] == day.isoformat()


# --- numbers ------------------------------------------------------------------------------------------------


def test_a_whole_number_may_be_written_with_a_point(hall: Hall, client: Client) -> None:
    """JSON Schema 2020-12, validation, section 6.1.1: integer is any number with a zero fractional part."""
    block = {"closet_id": hall.closet.pk, "kind": "66_split", "change": WHY}
    for number, rows in (("20.0", 20), ("2e1", 20), ("20.5", None)):
        written = json.dumps({**block, "name": number, "row_count": "ROWS"}).replace('"ROWS"', number)
        answer = sent(client, "blocks", written)
        if rows is None:
            refused(answer, "/row_count", "a whole number from 1 to 400")
        else:
            assert (answer.status_code, answer.json()["row_count"]) == (201, rows), answer.content


@pytest.mark.parametrize("digits", [DIGITS, f"-{DIGITS}", "1e308", "9" * 4300])
def test_a_number_of_hundreds_of_digits(hall: Hall, client: Client, digits: str) -> None:
    def written(**said: Any) -> str:
        """JSON with the digits as they are, in the place of ``"DIGITS"``."""
        return json.dumps(said).replace('"DIGITS"', digits)

    customer, site, closet = hall.site.customer_id, hall.site.pk, hall.closet.pk
    far: dict[str, Any] = {"customer_id": customer, "code": "far", "name": "Far", "change": WHY}
    answer = sent(client, "sites", written(**far, design_temperature_c="DIGITS"))
    refused(answer, "/design_temperature_c", "a number from -60 to 90 [°C]")
    operation = {"op": "run.alter", "run_id": hall.run.pk, "design_temperature_c": "DIGITS"}
    answer = sent(client, "change-sets", written(site_id=site, reason="a plan", operations=[operation]))
    refused(answer, "/operations/0/design_temperature_c", "from -60 to 90 [°C]")
    answer = sent(client, "switches", written(closet_id=closet, name="S", port_count="DIGITS", change=WHY))
    refused(answer, "/port_count", "a whole number from 0 to 512")
    point = {"id": "a", "parent": None, "length_m": 1, "awg": 24}
    answer = sent(client, "calculations/run", written(source={"voltage_v": "DIGITS"}, points=[point]))
    refused(answer, "/source/voltage_v", "volts above 0, from 1e-6 to 1e6")
    answer = sent(client, "change-sets", written(site_id="DIGITS", reason="a plan", operations=[operation]))
    refused(answer, "/site_id", "xpected")


@pytest.mark.parametrize(
    ("address", "name"),
    [
        ("sites", "page_size"),
        ("closets", "site_id"),
        ("amplifiers", "line_voltage_from_v"),
        ("catalogue/cables", "gauge_awg"),
        ("switch-ports", "number"),
    ],
)
def test_a_number_of_hundreds_of_digits_in_a_query(client: Client, address: str, name: str) -> None:
    for digits in (DIGITS, "9" * 5000, f"-{DIGITS}", "1e999", "nan", "inf"):
        refused(client.get(f"{ROOT}/{address}", {name: digits}), name, "Expected")


@pytest.mark.parametrize("digits", [DIGITS, f"-{DIGITS}", "1e999", "9" * 5000])
def test_a_number_of_hundreds_of_digits_in_a_file(db: None, digits: str) -> None:
    folder = pier()
    folder["sites"][0]["design_temperature_c"] = digits
    folder["blocks"][0]["row_count"] = digits
    folder["points"][0]["length_m"] = digits
    folder["landings"][0]["row"] = digits
    with pytest.raises(ChangeRefused) as caught:
        take(folder)
    stated = "\n".join(sentence_of(problem) for problem in caught.value.problems)
    assert "sites.csv, row 2, column design_temperature_c: " in stated
    assert "expected a number from -60 to 90 [°C]" in stated
    assert "expected a whole number from 1 to 400" in stated
    assert "expected a number from 0 to 10000 [m]" in stated
    assert "is not a number such as 7 or a range such as 7-8" in stated
    assert len(stated) < 3000


def test_a_cell_that_is_too_long(db: None) -> None:
    folder = pier()
    folder["closets"][0]["note"] = "x" * (LONGEST_CELL + 1)
    with pytest.raises(ChangeRefused) as caught:
        import_files(as_files(folder), Importer("Mila Quay", dt.datetime(2026, 6, 1, tzinfo=dt.UTC)))
    (problem,) = caught.value.problems
    assert sentence_of(problem).startswith("closets.csv, row 2: has a cell of more than 250,000 characters")


def test_a_described_run_of_huge_numbers(tmp_path: Path) -> None:
    point = f'{{"id": "a", "parent": null, "loop_resistance_ohm": {DIGITS}}}'
    run = f'{{"source": {{"voltage_v": 24}}, "temperature_c": {DIGITS}, "points": [{point}]}}'
    (tmp_path / "run.json").write_text(run)
    with pytest.raises(CommandError) as caught:
        call_command("calculate", str(tmp_path / "run.json"), stdout=StringIO())
    assert "degrees Celsius from" in str(caught.value)
    assert "ohms from 0 to 1e9" in str(caught.value)
    assert caught.value.returncode == 2
