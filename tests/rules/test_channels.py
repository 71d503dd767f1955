"""No channel accepts what another refuses: the same contradictions through REST, draft, files and raw SQL."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import pytest
from django.db import DataError, IntegrityError, transaction
from django.test import Client

from sites.changes.errors import ChangeRefused
from sites.changes.services import Change, change_accept
from sites.models import Site
from sites.models.access import User
from sites.models.changes import ChangeSet
from tests import factories
from tests.api.conftest import Caller, with_token
from tests.rules.channels import Attempt, Channels
from tests.rules.contradictions import ALTERATIONS, FREE, NEWER_PLACES, TESTS, VALID, contradictions
from tests.rules.plant import SITE, build
from tests.sites.changes.rows import accepted, say, sql
from tests.zones.asbuilt.folders import take
from zones.asbuilt.formats import BY_NAME
from zones.asbuilt.problems import place_of

__all__ = ["with_token"]  # a fixture of the API's tests

pytestmark = pytest.mark.django_db
CONTRADICTIONS = contradictions()
CHANNELS = ("rest", "draft", "asbuilt", "sql")


@pytest.fixture
def channels(with_token: Caller, monkeypatch: pytest.MonkeyPatch) -> Channels:
    # Hundreds of imports of one row each: a process for each would take most of the time
    monkeypatch.setattr("zones.asbuilt.services.in_child", lambda work, _limits: work())
    build()
    manager = factories.make_user(User.Role.MANAGER, all_customers=True)
    client: Client = with_token(manager)
    return Channels(client)


def answered(take: Callable[[Attempt], str], attempt: Attempt) -> str:
    """What a channel says to an attempt, of which nothing stays."""
    with transaction.atomic():
        answer = take(attempt)
        transaction.set_rollback(True)
    return answer


def spoken_in(channel: str, attempts: Iterable[Attempt]) -> list[Attempt]:
    """What a channel has words for: a draft is of one site, and the catalogue of none; that something was
    otherwise all along is said over REST and in drafts."""
    return [
        attempt
        for attempt in attempts
        if (channel != "draft" or BY_NAME[attempt.kind].sited)
        and (channel in ("rest", "draft") or not attempt.as_correction)
    ]


@pytest.mark.parametrize("channel", CHANNELS)
def test_every_channel_accepts_what_fits(channels: Channels, channel: str) -> None:
    take = getattr(channels, channel)
    fitting = spoken_in(channel, [*VALID.values(), *TESTS, *FREE, *NEWER_PLACES, *ALTERATIONS])
    assert {one.label: answered(take, one) for one in fitting} == {one.label: "" for one in fitting}


@pytest.mark.parametrize("channel", CHANNELS)
def test_every_channel_refuses_every_contradiction(channels: Channels, channel: str) -> None:
    take = getattr(channels, channel)
    accepted = [
        attempt.label for attempt in spoken_in(channel, CONTRADICTIONS) if not answered(take, attempt)
    ]
    assert accepted == []


@pytest.mark.parametrize("name", ["europe/lisbon", "EUROPE/LISBON", "utc", "Europe/Nowhere"])
def test_every_channel_refuses_a_time_zone_by_another_name(channels: Channels, name: str) -> None:
    site = Site.objects.get(code=SITE)
    with pytest.raises(ChangeRefused, match="the name of a time zone"):
        change_accept(
            Change(
                site_id=site.pk, user=None, actor="Ida Vole", reason="as seen", channel=ChangeSet.Channel.REST
            ),
            [{"op": "site.alter", "time_zone": name}],
        )
    row = {"code": SITE, "customer": "strand", "name": "Quay", "time_zone": name}
    with pytest.raises(ChangeRefused) as refused:
        take({"sites": [row]})
    assert [place_of(problem)[2] for problem in refused.value.problems] == ["time_zone"]
    say(accepted(site.pk))
    with pytest.raises((IntegrityError, DataError), match=r"time_?zone"), transaction.atomic():
        sql("UPDATE site SET time_zone = %s, change_set_id = zonebook_change_set()", name)


def test_there_are_two_hundred() -> None:
    assert len({attempt.label for attempt in CONTRADICTIONS}) == len(CONTRADICTIONS) >= 200
