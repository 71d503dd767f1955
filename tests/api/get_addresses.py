"""Every address that a GET answers, so that none is forgotten: each route of the URLconf, each list by every
filter and in every order, each single thing with all that can be asked of it.

What an address names is taken from the lists themselves, of the first sites that there are. A route, a filter
or a parameter of which nothing is known here raises `UnknownError`: say below what to ask it with.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import Any, Final
from urllib.parse import urlencode

from api.conventions import fields
from api.conventions.filters import Names, filter_names
from api.conventions.problems import ProblemError
from api.conventions.viewsets import ReadOnlyViewSet
from api.v1.routes import RESOURCES
from sites.access.scope import EVERYTHING
from tests.api.operations_served import Served, served

ROOT: Final = "/api/v1"
NOTHING: Final = "nothing is called so"
"""A text that nothing in the record has: to find that out must not take a look at everything."""
LONG_AGO: Final = "1990-01-01"
PAST: Final = "2025-06-30"
SITES: Final = 40
"""How many of the first sites are gone through for a thing."""

PLAIN: Final[dict[str, tuple[str, ...]]] = {
    "/api/v1/schema": ("",),
    "/api/v1/reference": ("",),
    "/api/v1/problems": ("",),
    "/api/v1/problems/{code}": ("",),
    "/api/v1/operations": ("",),
    "/api/v1/search": ("q=closet", "q=clsoet+gangway&page_size=100"),
    "/api/v1/tokens": ("",),
    "/api/v1/subscriptions": ("",),
    "/api/v1/subscriptions/{id}": ("",),
    "/api/v1/subscriptions/{id}/deliveries": ("", "state=dead", "page_size=200"),
    "/api/v1/events": (
        "",
        "start=now",
        "kinds=case.opened",
        "kinds=site.taken_over",
        "telephones=true&page_size=50",
    ),
    "/api/v1/cases/counts": (
        "",
        "severity=silence,hazard",
        "verdict=past",
        "opened_from=2025-06-30T00:00:00Z",
        "changed_since=2025-06-30T00:00:00Z",
        "cleared=yes&cleared_from=2025-06-30T00:00:00Z",
    ),
}
"""Routes that belong to no resource, with their queries."""
OF_PEOPLE: Final = frozenset({"/api/v1/calendars", "/api/v1/calendars/{id}"})
"""Left out: a few rows of one person, which no program is answered with."""
PARAMETERS: Final[dict[str, tuple[str, ...]]] = {
    "explain": ("true",),
    "code": ("supply_current",),
    "effect": (),
    "rows_from": ("1",),
}
"""What single things and their actions are asked with, beside a day, `fields` and `expand`."""
FULL_PAGES: Final = {
    "customers": "4", "contracts": "4", "coverages": "20", "sites": "20", "findings": "20", "cases": "20",
    "tests": "20", "visits": "20",
}  # fmt: skip
"""Items of a page, where a small fleet has too few to fill the usual one."""
FEW_OF: Final = {("cases", "severity"): {"page_size": "1"}}
"""By resource and filter, where a small fleet has still less: the same page in both."""
OTHER_NAMES: Final = {"model": "device_model", "feed_supply": "supply", "instrument_record": "instrument"}
"""Filters by id whose name is not that of the table."""
VALUES: Final[dict[str, tuple[str, ...]]] = {
    "code": ("supply_current", "no_feed"),
    "line_voltage_from_v": ("70", "1000"),
    "group": (NOTHING,),
}
"""What some filters are asked with, instead of values from the list."""


class UnknownError(LookupError):
    """Nothing is known of a route or a parameter: it would be left out."""


@dataclass(frozen=True)
class Address:
    """asked: its query in short: of what is named by an id or a text, without that; blank: none."""

    route: str
    asked: str
    path: str

    def __str__(self) -> str:
        return f"{self.route}?{self.asked}" if self.asked else self.route


Ask = Callable[[str], Mapping[str, Any]]


class Addresses:
    """ask: answers a path with its JSON; it must see all customers."""

    def __init__(self, ask: Ask) -> None:
        self._ask = ask
        self._found: dict[str, list[Any]] = {}
        self._today = datetime.now(UTC).date().isoformat()

    def __iter__(self) -> Iterator[Address]:
        for one in served():
            if one.method == "GET" and one.route not in OF_PEOPLE:
                yield from self._of(one)

    def _of(self, one: Served) -> Iterator[Address]:
        if one.route in PLAIN:
            for query in PLAIN[one.route]:
                path = one.route.replace("{code}", "not_found")
                if "{id}" in path:
                    path = path.replace("{id}", str(self._own("subscriptions")))
                yield Address(one.route, query, f"{path}?{query}" if query else path)
        elif one.view_set is None:
            raise UnknownError(f"{one.route}: name its queries in PLAIN")
        elif one.action == "list":
            yield from self._of_list(one.route, one.view_set)
        else:
            yield from self._of_thing(one)

    def _own(self, name: str) -> int:
        """The first thing that belongs to the user who asks."""
        items = self._ask(f"{ROOT}/{name}")["items"]
        if not items:
            raise UnknownError(f"{name}: the user who asks needs one of their own")
        return int(items[0]["id"])

    # --- single things --------------------------------------------------------------------------------------

    def _of_thing(self, one: Served) -> Iterator[Address]:
        assert one.view_set is not None
        path = one.route.replace("{id}", str(self.things(one.resource)[0]["id"]))
        yield Address(one.route, "", path)
        expansions = ",".join(one.view_set.serializer_class.expansions)
        for name in one.query_fields():
            if name == "fields":
                continue
            given = (
                (expansions,)
                if name == "expand"
                else self._days(one.action)
                if name == "as_of"
                else PARAMETERS.get(name)
            )
            if given is None:
                raise UnknownError(f"{one.route}: name values of {name} in PARAMETERS")
            for value in given:
                yield self._asked(one.route, path, {name: value})

    def _days(self, action: str) -> tuple[str, ...]:
        """What is computed has a past, which is computed again; a thing may not have stood then."""
        return (self._today,) if action == "retrieve" else (self._today, PAST)

    # --- lists ----------------------------------------------------------------------------------------------

    def _of_list(self, route: str, view_set: type[ReadOnlyViewSet]) -> Iterator[Address]:
        resource = route.removeprefix(f"{ROOT}/")
        of_site = self._of_site(view_set)
        page = {"page_size": FULL_PAGES[resource]} if resource in FULL_PAGES else {}
        yield self._asked(route, route, page)

        def within(query: dict[str, str]) -> Address:
            """With the site, where the API asks for one."""
            needed = of_site if of_site and not _is_served(view_set, query) else {}
            return self._asked(route, route, {**page, **needed, **query})

        if view_set.serializer_class.expansions:
            yield within({"expand": ",".join(view_set.serializer_class.expansions)})
        yield self._asked(route, route, {**of_site, "count": "true"})
        for order in view_set.ordering_fields:
            for sign in ("", "-"):
                yield within({"order": f"{sign}{order}"})
                if "site_id" in of_site:
                    yield self._asked(route, route, {**of_site, "order": f"{sign}{order}"})
        declared: Mapping[str, Any] = view_set.filterset_class._declared_fields
        for name in filter_names(view_set.filterset_class):
            for value in self._values(resource, name, declared[name]):
                yield within({**FEW_OF.get((resource, name), {}), name: value})

    def _values(self, resource: str, name: str, field: Any) -> tuple[str, ...]:
        """What a filter of a list is asked with: each word of a few, else one that is there, and of a text
        one that is nowhere too."""
        if name in VALUES:
            return VALUES[name]
        if isinstance(field, fields.Choice):
            return tuple(map(str, field.choices))
        if isinstance(field, fields.Flag):
            return ("true", "false")
        if isinstance(field, Names):
            return field.allowed
        if name == "as_of":
            return (self._today, PAST)
        if isinstance(field, fields.Day):
            return (self._today, LONG_AGO)
        if isinstance(field, fields.Instant):
            return (f"{self._today}T00:00:00Z", f"{LONG_AGO}T00:00:00Z")
        shown = [str(item[name]) for item in self.things(resource) if item.get(name) not in (None, "", [])]
        if isinstance(field, fields.Text):
            nowhere = () if isinstance(field, fields.Address) else (NOTHING,)
            return (*shown[:1], *nowhere)
        if shown:
            return (shown[0],)
        if not name.endswith("_id"):
            raise UnknownError(f"{resource}: name values of {name} in VALUES")
        table = OTHER_NAMES.get(name.removesuffix("_id"), name.removesuffix("_id"))
        if table == "customer":
            return (str(self._site["customer_id"]),)
        return (str(self.things(_RESOURCE_OF[table])[0]["id"]),)

    # --- what there is --------------------------------------------------------------------------------------

    def things(self, resource: str) -> list[Any]:
        """A page of a list: of the first site that has any."""
        if resource not in self._found:
            self._found[resource] = self._first_page(resource)
        return self._found[resource]

    def _first_page(self, resource: str) -> list[Any]:
        path = f"{ROOT}/{resource}?order=id&page_size=100"
        if "site_id" not in filter_names(RESOURCES[resource].filterset_class):
            return list(self._ask(path)["items"])
        for site in self._ask(f"{ROOT}/sites?order=id&page_size={SITES}")["items"]:
            if items := self._ask(f"{path}&site_id={site['id']}")["items"]:
                return list(items)
        raise UnknownError(f"the first {SITES} sites have no {resource}")

    @cached_property
    def _site(self) -> Any:
        return self.things("sites")[0]

    def _of_site(self, view_set: type[ReadOnlyViewSet]) -> dict[str, str]:
        """The filter that names the first site, or its customer; none where a list has no such filter."""
        names = filter_names(view_set.filterset_class)
        if "site_id" in names:
            return {"site_id": str(self._site["id"])}
        return {"customer_id": str(self._site["customer_id"])} if "customer_id" in names else {}

    def _asked(self, route: str, path: str, query: Mapping[str, str]) -> Address:
        short = "&".join(
            f"{name}={value if value.removeprefix('-').isidentifier() else ''}"
            for name, value in query.items()
        )
        return Address(route, short, f"{path}?{urlencode(query)}" if query else path)


def _is_served(view_set: type[ReadOnlyViewSet], query: dict[str, str]) -> bool:
    """Whether a list answers this over all sites."""
    view = view_set()
    asked: Any = view.spec_of("list").query(data=query)
    asked.is_valid(raise_exception=True)
    try:
        asked.sort(filter_names(view.filterset_class), view.ordering, EVERYTHING)
    except ProblemError:
        return False
    return True


_RESOURCE_OF: Final = {view_set.gate.model._meta.db_table: name for name, view_set in RESOURCES.items()}
"""The resource of a table."""
