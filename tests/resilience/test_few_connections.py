"""The database gives out fewer connections than the web server has threads: who gets none is told to come
again, and nothing but that is lost. As deployed: a web server, over HTTP."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest
from django.db import connection

from sites.access.services import token_make
from sites.models import Closet, User
from tests import factories
from tests.resilience.conftest import Processes
from tests.resilience.serving import start_server

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

FEW, AT_ONCE, WRITES = 1, 8, 80
LONG_S = 60


@pytest.fixture
def few_connections() -> Iterator[None]:
    """One connection beside ours. The limit is looked at when a session begins; superusers have none."""
    with connection.cursor() as cursor:
        name = connection.ops.quote_name(connection.settings_dict["NAME"])
        cursor.execute("SELECT rolsuper FROM pg_roles WHERE rolname = current_user")
        if cursor.fetchone() == (True,):
            pytest.skip("the role of the tests is a superuser, whom no limit holds")
        cursor.execute(f"ALTER DATABASE {name} CONNECTION LIMIT {1 + FEW}")
        yield
        cursor.execute(f"ALTER DATABASE {name} CONNECTION LIMIT -1")


def test_who_gets_no_connection_is_told_to_come_again(
    processes: Processes, manager: User, few_connections: None
) -> None:
    site = factories.make_site()
    _token, secret = token_make(user=manager, scopes=["record:read", "record:write"])
    _server, url = start_server(processes, DATABASE_CONN_MAX_AGE_S="0")

    def add_closet(number: int) -> httpx.Response:
        return httpx.post(
            f"{url}/api/v1/closets",
            json={"site_id": site.pk, "name": f"IDF {number}", "change": {"reason": "surveyed"}},
            headers={"Authorization": f"Bearer {secret}"},
            timeout=LONG_S,
        )

    with ThreadPoolExecutor(AT_ONCE) as pool:
        answers = list(pool.map(add_closet, range(WRITES)))
        assert httpx.get(f"{url}/healthz", timeout=LONG_S).status_code == 200
    told = Counter(answer.status_code for answer in answers)
    assert told.keys() == {201, 503}, told
    for answer in answers:
        if answer.status_code == 503:
            assert answer.json()["code"] == "unavailable"
            assert int(answer.headers["Retry-After"]) >= 1
    written = {int(name.removeprefix("IDF ")) for name in Closet.objects.values_list("name", flat=True)}
    assert written == {number for number, answer in enumerate(answers) if answer.status_code == 201}
    assert add_closet(WRITES).status_code == 201
