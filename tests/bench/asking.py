"""Every GET address of one fleet, asked as the server is asked, with what each costs.

Rows and pages are counted as `counting` says. A row for each thing that an answer counts is not counted:
where there are more, there are more to count. Nor is what looking at the counts costs.

PostgreSQL reads a small table through, where it goes by an index in a large one. So a fleet to compare with
is asked by indexes (``BY_INDEX`` in the environment): else what is bound would seem to grow, and what is not
would not.
"""

from __future__ import annotations

import gc
import json
import os
import sys
from collections.abc import Callable, Iterator
from typing import Any
from wsgiref.util import setup_testing_defaults

from django.core.wsgi import get_wsgi_application
from django.db import connection
from django.db.backends.signals import connection_created

from api.events.subscriptions import subscription_add
from sites.access.selectors import principal_of
from sites.access.services import token_make
from sites.changes.services import Change, today_at
from sites.models import ChangeSet, Closet, Endpoint, Instrument, Secret, Site, Subscription, User
from sites.services.instruments import instrument_add
from sites.services.secrets import secret_add, secret_reveal
from tests.api.get_addresses import ROOT, Address, Addresses
from tests.bench.counting import Counts, counted
from tests.bench.fleets import accept, settle, tidy
from tests.bench.in_turns import NEXT
from tests.bench.lines import peak_rss_mb
from zones.models import PagingSet, Zone

CASES = ("",)
"""Or the beginning of the routes that are to be asked, as in ``points``."""
TOGETHER = False
ROUNDS = 2
BY_INDEX = "BENCH_BY_INDEX"


def cases(wanted: tuple[str, ...], _sites: int) -> Iterator[str]:
    """A line of JSON for each line that it is given: route, what is asked, and its cost. The line given says
    whether that is the next address: `yes next | python -m tests.bench asking --sites 0` asks for all."""
    furnish()
    settle()
    tidy()
    if BY_INDEX in os.environ:
        connection_created.connect(_avoid_reading_through)
        connection.close()
    ask = caller()
    idle = min(counted(lambda: None) for _ in range(ROUNDS + 1))
    beginning = f"{ROOT}/{wanted[0]}"
    # All of them at first: finding one asks for things, which is nobody's turn
    addresses = [*Addresses(lambda path: json.loads(ask(path)))]
    following = (each for each in addresses if each.route.startswith(beginning))
    address = None
    for told in sys.stdin:
        if told.strip() == NEXT:
            address = next(following, None)
        if address is None:
            return
        cost = _cost(ask, address, idle)
        yield json.dumps(
            {"route": address.route, "asked": address.asked, **cost, "peak_rss_mb": peak_rss_mb()}
        )


def _avoid_reading_through(*, connection: Any, **_sent: object) -> None:
    with connection.cursor() as cursor:
        for way in ("seqscan", "hashjoin", "mergejoin"):
            cursor.execute(f"SET enable_{way} = off")


def asker() -> User:
    """A manager who sees every customer."""
    user, _ = User.objects.get_or_create(
        username="bench", defaults={"role": User.Role.MANAGER, "all_customers": True}
    )
    return user


def furnish() -> None:
    """Give the first site what fleets have none of: a paging set, a network speaker of a zone, a visit, and a
    door code that was revealed; all sites an instrument, and the user who asks a subscription."""
    if not Subscription.objects.filter(owner=asker()).exists():
        subscription_add(principal=principal_of(asker()), name="desk", url="https://desk.example.com/")
    site = Site.objects.order_by("pk")[0]
    site_id = site.pk
    if PagingSet.objects.filter(site=site_id).exists():
        return
    zones = Zone.objects.filter(site=site_id).order_by("pk").values_list("pk", flat=True)
    closet = Closet.objects.filter(site=site).order_by("pk")[0]
    secret = secret_add(
        user=asker(), site=site, kind=Secret.Kind.DOOR, label="north door", code="4711#",
        closet=closet,
    )  # fmt: skip
    secret_reveal(user=asker(), secret=secret, reason="night call")
    in_use = Change(site_id=None, user=asker(), reason="in use", channel=ChangeSet.Channel.COMMAND)
    instrument_add(in_use, name="clamp meter 3", kind=Instrument.Kind.CLAMP_METER, serial="L-00317")
    endpoint = Endpoint.objects.filter(site=site_id).order_by("pk").values_list("pk", flat=True)[0]
    accept(
        site_id,
        [
            {"op": "paging_set.add", "name": "all call", "zone_ids": [*zones]},
            {"op": "zone_endpoint.add", "zone_id": zones[0], "endpoint_id": endpoint},
            {
                "op": "visit.record",
                "closet_id": closet.pk,
                "technician": "Rune Aske",
                "visited_on": today_at(site_id).isoformat(),
                "job_reference": "T-40718",
            },
        ],
        reason="what fleets have none of",
    )


def caller() -> Callable[[str], bytes]:
    """Asks as a manager's program that sees every customer; returns the body of the answer."""
    _, secret = token_make(
        user=asker(), scopes=["record:read", "events:read", "subscriptions:write", "admin"]
    )
    application: Any = get_wsgi_application()

    def ask(path: str) -> bytes:
        answered: list[str] = []
        environ: dict[str, Any] = {"HTTP_AUTHORIZATION": f"Bearer {secret}"}
        environ["PATH_INFO"], _, environ["QUERY_STRING"] = path.partition("?")
        setup_testing_defaults(environ)
        response = application(environ, lambda status, _headers: answered.append(status))
        try:
            body = b"".join(response)
        finally:
            response.close()
        if not answered[0].startswith("200"):
            raise RuntimeError(f"{path} answered {answered[0]}: {body.decode()[:500]}")
        return body

    return ask


def _cost(ask: Callable[[str], bytes], address: Address, idle: Counts) -> dict[str, float]:
    """The least of some rounds, after one that finds nothing open yet."""
    things, sites = told(ask(address.path))
    gc.collect()
    rounds = [counted(lambda: ask(address.path)) for _ in range(ROUNDS)]
    return {
        "rows": min(one.rows for one in rounds) - idle.rows - things,
        "pages": max(min(one.pages for one in rounds) - idle.pages, 0),
        "seconds": min(one.seconds for one in rounds),
        "counted": things,
        "sites": sites,
    }


def told(body: bytes) -> tuple[int, int]:
    """How many things an answer counts, and of how many sites its items are."""
    try:
        answer = json.loads(body)
    except ValueError:  # a page to read
        return 0, 0
    if not isinstance(answer, dict):
        return 0, 0
    items = answer.get("items", ())
    return answer.get("count", 0), len({item["site_id"] for item in items if "site_id" in item})
