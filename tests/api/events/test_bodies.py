"""Events of each kind are what the webhooks of the description say. The other events that tests of findings
make are held to it in tests/zones/findings/conftest.py."""

from __future__ import annotations

import datetime as dt

import jsonschema
import pytest

from api.v1.event_bodies import DATA, SAID
from sites.models import Event
from tests.api.events.described import described
from tests.factories import make_user
from tests.zones.findings.conftest import ADDED, NOW, Quay
from zones.findings.event_kinds import EventKind
from zones.findings.services import finding_acknowledge

DAY = dt.timedelta(days=1)


@pytest.fixture
def quay(db: None) -> Quay:
    quay = Quay()
    quay.cover()
    return quay


def test_every_kind_is_described() -> None:
    assert set(DATA) == set(SAID) == set(EventKind)


def test_events_are_as_described(quay: Quay) -> None:
    _, points = quay.add(12)
    quay.check()
    finding_acknowledge(finding=quay.finding(), user=make_user(), reason="van on its way")
    quay.remove(points, ADDED + DAY)
    quay.check(NOW + DAY)
    kinds = set()
    for event in Event.objects.all():
        described(event)
        kinds.add(event.kind)
    assert kinds == {"case.opened", "case.acknowledged", "case.cleared", "change_set.accepted"}


@pytest.mark.parametrize(
    "wrong", [{"case": {"id": 1}}, {"life_safety": "perhaps"}, {"key_location": "desk"}, {"findings": [{}]}]
)
def test_what_is_not_described_is_found(quay: Quay, wrong: dict[str, object]) -> None:
    quay.add(12)
    quay.check()
    event = Event.objects.get(kind="case.opened")
    event.body |= wrong
    event.save()
    with pytest.raises(jsonschema.ValidationError):
        described(event)
