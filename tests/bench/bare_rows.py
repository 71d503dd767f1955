"""Answers against their bare rows: the statements that an answer sends, sent by the driver alone, and what
they give written as JSON by the fastest library there is.

The yardstick knows the statements beforehand, authenticates no one, names nothing and says nothing in words.
A list is asked for a whole page, so what fleets have few of is made more.
"""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, Final

import orjson
from django.db import connection
from psycopg.rows import dict_row

from api.conventions.sizes import MOST_LISTED
from api.server.garbage import look_between_answers
from api.v1.routes import RESOURCES
from tests.api.get_addresses import ROOT, Addresses
from tests.api.statements import statements
from tests.bench.asking import asker, caller, furnish
from tests.bench.fleets import settle, sizes, tidy
from tests.bench.lines import Line, compare
from tests.bench.whole_pages import fill

NAME: Final = "routes"
ROUNDS: Final = 20
COMPUTED: Final = {"closets/{id}/sheet": 4.0, "zones/{id}/load": 4.0}
"""What is more than rows, with its goal."""
LISTS_GOAL: Final = 3.0
PAGE: Final = f"?page_size={MOST_LISTED}"


def lines() -> Iterator[Line]:
    furnish()
    fill(asker())
    settle()
    tidy()
    ask = caller()
    things = Addresses(lambda path: json.loads(ask(path))).things
    fleet = sizes()
    goals = COMPUTED | dict.fromkeys(RESOURCES, LISTS_GOAL)
    for case, goal in goals.items():
        resource, of_one, _ = case.partition("/{id}")
        path = f"{ROOT}/{case}".replace("{id}", str(things(resource)[0]["id"])) + ("" if of_one else PAGE)
        if not of_one and (rows := len(json.loads(ask(path))["items"])) < MOST_LISTED:
            print(f"{case} is left out: of a small fleet, it has {rows} rows", file=sys.stderr)
            continue
        ask(path)
        with statements() as sent:
            answer = ask(path)
        theirs = _bare([each for each in sent if _is_read(each)])
        theirs()
        look_between_answers()
        yield compare(
            NAME,
            f"{case} rows",
            partial(ask, path),
            theirs,
            goal=goal,
            sizes={**fleet, "statements": len(sent), "bytes": len(answer)},
            rounds=ROUNDS,
        )


def _is_read(statement: str) -> bool:
    """Whether a statement reads what is shown, and not who is asking."""
    return bool(re.match(r"[\s(]*(SELECT|WITH)\b", statement, re.IGNORECASE)) and '"digest"' not in statement


def _bare(wanted: list[str]) -> Callable[[], bytes]:
    def read() -> bytes:
        connection.ensure_connection()  # a request ends a connection that has become too old
        driver: Any = connection.connection
        with driver.cursor(row_factory=dict_row) as cursor:
            return orjson.dumps([cursor.execute(one).fetchall() for one in wanted], default=str)

    return read
