"""The load of one thing, of every kind of subject."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import ROOT, get
from tests.api.v1.test_zones import BUILT, add_speakers
from tests.halls import Hall
from zones.electrical.subjects import SubjectKind
from zones.models import Finding
from zones.recheck.batch import check
from zones.subjects import SUBJECTS


@pytest.fixture
def client(dispatcher: User, with_token: Caller) -> Client:
    return with_token(dispatcher)


def test_a_supply_has_its_own_figures_and_the_zones_that_depend_on_it(hall: Hall, client: Client) -> None:
    load = get(client, f"supplies/{hall.supply.pk}/load", as_of=BUILT.isoformat())
    assert load["subject"] == {"kind": "supply", "id": hall.supply.pk, "name": "supply PS 1"}
    assert {item["subject"]["id"] for item in load["items"]} == {hall.supply.pk}
    assert {item["subject"]["kind"] for item in load["items"]} == {"supply"}
    current = next(item for item in load["items"] if item["code"] == "supply_current")
    # by hand: 40 speakers at half of 80 mA, on 0.8 of 2 A
    assert (current["likely"], current["limit"]) == pytest.approx((1.6, 1.6))
    assert [(one["name"], one["life_safety"]) for one in load["zones"]] == [
        ("Gangway", "unknown"),
        ("Ticket hall", "unknown"),
    ]


def test_what_was_found_and_what_is_recomputed_are_the_same(hall: Hall, client: Client) -> None:
    computed = get(client, f"supplies/{hall.supply.pk}/load")
    check([hall.site.pk])
    stored = get(client, f"supplies/{hall.supply.pk}/load")
    without = [{**one, "finding_id": None} for one in stored["items"]]
    assert without == computed["items"]
    assert stored["zones"] == computed["zones"]


def test_a_figure_names_the_finding_that_is_open_on_it_today(hall: Hall, client: Client) -> None:
    add_speakers(hall, 12)
    check([hall.site.pk])
    finding = Finding.objects.get(code="supply_current", cleared_at=None)
    for address in (f"supplies/{hall.supply.pk}/load", f"zones/{hall.zone.pk}/load"):
        today, before = get(client, address), get(client, address, as_of=BUILT.isoformat())
        assert _finding_of(today) == finding.pk
        assert _finding_of(before) is None


def _finding_of(load: dict[str, Any]) -> int | None:
    (found,) = [one["finding_id"] for one in load["items"] if one["code"] == "supply_current"]
    assert found is None or isinstance(found, int)
    return found


def test_one_figure_can_be_asked_for_with_its_calculation(hall: Hall, client: Client) -> None:
    address = f"supplies/{hall.supply.pk}/load"
    (one,) = get(client, address, code="supply_current", explain="true")["items"]
    assert one["code"] == "supply_current"
    assert one["calculation"]["steps"]


@pytest.mark.parametrize("kind", list(SubjectKind), ids=lambda kind: kind.word)
def test_every_kind_of_subject_answers_with_its_load(kind: SubjectKind, hall: Hall, client: Client) -> None:
    made: dict[SubjectKind, Callable[[], Any]] = {
        SubjectKind.SITE: lambda: hall.site,
        SubjectKind.AMPLIFIER: lambda: factories.make_amplifier(hall.closet),
        SubjectKind.SWITCH: lambda: factories.make_switch(hall.closet),
        SubjectKind.PORT: lambda: factories.make_switch(hall.closet).ports.first(),
    }
    of = SUBJECTS[kind]
    row = made.get(kind, lambda: of.model._default_manager.filter(site_id=hall.site.pk).first())()
    load = get(client, f"{of.resource}/{row.pk}/load")
    assert (load["subject"]["kind"], load["subject"]["id"]) == (kind.word, row.pk)
    assert load["site_id"] == hall.site.pk


def test_a_load_is_that_of_a_thing_in_scope(hall: Hall, outsider: User, with_token: Caller) -> None:
    answer = with_token(outsider).get(f"{ROOT}/supplies/{hall.supply.pk}/load")
    assert answer.status_code == 404
