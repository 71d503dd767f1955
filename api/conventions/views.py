"""What every view of the API is: asked by a principal, declared by ability, counted, strict about its query.

`Door` is one address. `Resource` is a kind of thing, with a list, single things, and what can be done with
them. Both say for each operation (an action; for a `Door`, a method): in `abilities` what it needs, in
`queries` what may stand in its query, in `bodies` what its body holds, in `answers` what it answers. The
schema is made from the same. An operation that `abilities` does not name answers nobody; the table of routes
and roles in the tests names it too."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import cache, cached_property
from typing import Any, ClassVar

from django.core.exceptions import ImproperlyConfigured
from django.db import transaction
from django.db.models import Model, QuerySet
from django.urls import reverse
from django.utils.cache import patch_vary_headers
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView
from rest_framework.viewsets import ViewSetMixin

from sites.access.gates import Gate, NotFound, site_for
from sites.access.models import Token, User
from sites.access.scope import scoped
from sites.access.selectors import Principal, principal_of
from sites.changes.errors import ChangeConflict
from sites.changes.services import Accepted

from . import etags
from .cursors import Order, binding, take_page
from .listing import LARGEST_COUNT, Filters, item_query, list_query
from .permissions import Needed
from .places import body_places, query_places
from .problems import Place, invalid
from .rate_limits import Allowance, count_request
from .representations import Representation, prepared
from .serializers import Query
from .writing import Asked, Writing


class NoQuery(Query):
    """The query of what takes none."""


class Door(APIView):
    abilities: ClassVar[Mapping[str, Needed]] = {}
    queries: ClassVar[Mapping[str, type[Query]]] = {}
    bodies: ClassVar[Mapping[str, type[serializers.Serializer] | Writing]] = {}
    answers: ClassVar[Mapping[str, Any]] = {}
    allowance: Allowance | None = None
    asked: Mapping[str, Any]

    # --- who asks, and whether they may ---------------------------------------------------------------------

    @property
    def operation(self) -> str:
        """What is asked for; empty where there is no such operation."""
        method = (self.request.method or "").lower()
        method = "get" if method == "head" else method
        return method if method != "options" and hasattr(self, method) else ""

    def ability_needed(self) -> Needed | None:
        """What the operation needs; None where there is no such operation."""
        if not self.operation:
            return None
        try:
            return self.abilities[self.operation]
        except KeyError:
            raise ImproperlyConfigured(
                f"{self.__class__.__name__}.abilities does not say what {self.operation!r} needs."
            ) from None

    @cached_property
    def principal(self) -> Principal:
        user, token = self.request.user, self.request.auth
        assert isinstance(user, User), "asked for the principal of nobody"
        return principal_of(user, token if isinstance(token, Token) else None)

    def perform_authentication(self, request: Request) -> None:
        """Find out who asks, and count the request: also one that is then refused."""
        user = request.user
        if isinstance(user, User):
            self.allowance = count_request(user, request.auth if isinstance(request.auth, Token) else None)
            self.allowance.check()

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        if self.operation:
            self.asked = self._checked_query()

    def finalize_response(self, request: Request, response: Response, *args: Any, **kwargs: Any) -> Response:
        final = super().finalize_response(request, response, *args, **kwargs)
        if self.allowance is not None:
            for name, value in self.allowance.headers().items():
                final.headers[name] = value
        # What one caller sees is not for a cache that stands before others
        final.headers.setdefault("Cache-Control", "private, no-cache")
        patch_vary_headers(final, ["Authorization", "Cookie"])
        return final

    @property
    def allowed_methods(self) -> list[str]:
        return [method for method in super().allowed_methods if method != "OPTIONS"]

    # --- what is asked --------------------------------------------------------------------------------------

    def query_class(self, operation: str) -> type[Query]:
        """What `operation` takes as its query; by default nothing."""
        return self.queries.get(operation, NoQuery)

    def _checked_query(self) -> Mapping[str, Any]:
        given = self.request.query_params
        twice = [name for name in given if len(given.getlist(name)) > 1]
        if twice:
            raise invalid(
                *(Place(f"{name} is given twice.", code="repeated", parameter=name) for name in twice)
            )
        query = self.query_class(self.operation)(data=given.dict(), context={"view": self})
        if not query.is_valid():
            raise invalid(*query_places(query.errors))
        values: Mapping[str, Any] = query.validated_data
        return values

    def body(self) -> dict[str, Any]:
        """The body's values, checked by the operation's class in `bodies`; a PATCH may leave any of its
        fields out. If anything is wrong, every place of it is named at once."""
        body_class = self.bodies[self.operation]
        assert not isinstance(body_class, Writing), "the body of a change is read by `Written`"
        body = body_class(
            data=self.request.data, partial=self.request.method == "PATCH", context={"view": self}
        )
        if not body.is_valid():
            raise invalid(*body_places(body.errors))
        values: dict[str, Any] = body.validated_data
        return values


class Resource(ViewSetMixin, Door):
    """A kind of thing. `api.v1.routes` gives it its addresses; its operations are actions, as in any view
    set.

    Set `gate` and `representation`, and for a list `orders`, `usual_order` and `filters`; take `Listed`,
    `Shown` or both, and write `create`, `partial_update`, `destroy` with `named_row`, `body` and `shown`.
    What is not named in `answers` answers with the representation, a list with an envelope of them, `destroy`
    with nothing; what is named in `making` answers with a new thing, and `versioned` names what takes
    `If-Match` although it is a POST."""

    gate: ClassVar[Gate[Any]]
    representation: ClassVar[type[Representation]]
    filters: ClassVar[type[Filters]] = Filters
    orders: ClassVar[Mapping[str, Order]] = {}
    usual_order: ClassVar[str] = ""
    making: ClassVar[Collection[str]] = ("create",)
    versioned: ClassVar[Collection[str]] = ()

    lookup_field = "id"
    lookup_value_converter = "int"

    @property
    def operation(self) -> str:
        action = getattr(self, "action", None) or ""
        return action if action and hasattr(self, action) else ""

    def query_class(self, operation: str) -> type[Query]:
        if operation == "list":
            return _list_query(type(self))
        if operation == "retrieve":
            return _item_query(self.representation)
        return super().query_class(operation)

    @property
    def model(self) -> type[Model]:
        return self.gate.model

    def rows(self) -> QuerySet[Any]:
        """The rows of the list, all in scope; add here what each of them needs, never another source of
        rows."""
        return scoped(self.model, self.principal.scope)

    def row(self) -> Any:
        """The thing that the address names, if it is there and in scope."""
        return self.gate(principal=self.principal, id=int(self.kwargs["id"]))

    def named_row(self) -> Any:
        """The thing that the address names, in the version that `If-Match` names: decided before the body."""
        row = self.row()
        etags.require_match(self.request, self.versions(row))
        return row

    def versions(self, row: Any) -> etags.Versions:
        """The rows that a change of this thing builds on; with facts of its own, the last of them too."""
        return etags.versions_of(row)

    def furnish(self, rows: Sequence[Any]) -> None:
        """Give rows what their representation shows beyond their columns: once for a page, in a fixed number
        of queries."""

    def address_of(self, row: Any) -> str:
        """Where a thing is."""
        return reverse(f"{self.basename}-detail", kwargs={"id": row.pk})

    def shown(self, row: Any, *, status: int = 200) -> Response:
        """`row` with its ETag; created, also with where it is from now on."""
        self.furnish([row])
        headers = {"ETag": etags.etag(self.versions(row))}
        if status == 201:
            headers["Location"] = self.address_of(row)
        data = self.representation(row, context=_shown_context(self.asked)).data
        return Response(data, status=status, headers=headers)


class Operated(Resource):
    """What is written through operations of the record: give a `Writing` in `bodies` for each action there
    is.

    Someone else's change that comes between reading a version and writing is a 412 as well: the operation
    expects the versions once more, under the lock."""

    def made(self) -> Accepted[Any]:
        """Apply the operation of this action, by which something new comes about."""
        writing = self.writing()
        asked = writing.read(self.request.data, self.principal)
        site_id = self._site_asked_for(asked) if writing.of_site else asked.site_id
        return writing.accept(asked, principal=self.principal, site_id=site_id)

    def written(self, row: Any) -> Accepted[Any]:
        """Apply the operation of this action to `row`, in the version that was read."""
        writing = self.writing()
        asked = writing.read(self.request.data, self.principal)
        return self.accepted(writing, asked, row)

    def accepted(self, writing: Writing, asked: Asked, row: Any) -> Accepted[Any]:
        """
        1. What belongs to a site: the operation takes the site's lock, and then expects the versions.
        2. What all sites share has no such lock: so its row is locked first, as its UPDATE will lock it.
        """
        if writing.operation.shared:
            with transaction.atomic():
                self._locked(row)
                return writing.accept(asked, principal=self.principal, site_id=None, subject=row)
        try:
            return writing.accept(
                asked,
                principal=self.principal,
                site_id=self.site_id_of(row),
                subject=row,
                expects=self.versions(row),
            )
        except ChangeConflict as error:
            raise etags.stale(self.versions(self.row())) from error

    def _locked(self, row: Any) -> None:
        locked = self.rows().select_for_update(of=("self",), no_key=True).filter(pk=row.pk).first()
        if locked is None:
            raise NotFound
        if self.versions(locked) != self.versions(row):
            raise etags.stale(self.versions(locked))

    def writing(self) -> Writing:
        writing = self.bodies[self.operation]
        assert isinstance(writing, Writing), f"{self.operation} has no Writing for its body"
        return writing

    def site_id_of(self, row: Any) -> int:
        site_id: int = row.site_id
        return site_id

    def _site_asked_for(self, asked: Asked) -> int:
        assert asked.site_id is not None, "a body without its site is refused when it is read"
        try:
            return site_for(principal=self.principal, id=asked.site_id).pk
        except NotFound:
            detail = f"There is no site {asked.site_id}."
            raise invalid(Place(detail, code="not_found", pointer="/site_id")) from None


class Made(Operated):
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        return self.shown(self.made().result, status=201)


class Altered(Operated):
    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        self.written(self.named_row())
        return self.shown(self.row())


class Removed(Operated):
    """What can be ended, or removed: that takes the version and says why, as any other change."""

    def destroy(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        self.written(self.named_row())
        return Response(status=204)


class Written(Made, Altered):
    """What is made, and changed."""


class Ended(Written, Removed):
    """What is made, changed, and in the end taken down."""


class Listed(Resource):
    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        asked = self.asked
        rows = self.filters.applied(self.rows(), asked)
        name = asked["order"]
        page = take_page(
            prepared(rows, self.representation, asked.get("expand", ())),
            order=self.orders[name.removeprefix("-")],
            descending=name.startswith("-"),
            size=asked["page_size"],
            cursor=asked.get("cursor"),
            bound_to=binding(
                path=request.path,
                order=name,
                filters={key: asked[key] for key in map(str, self.filters().fields) if key in asked},
                scope=self.principal.scope.fingerprint(),
            ),
        )
        self.furnish(page.items)
        items = self.representation(page.items, many=True, context=_shown_context(asked)).data
        body: dict[str, Any] = {"items": items, "next": page.next}
        if asked["count"]:
            counted = rows.order_by()[: LARGEST_COUNT + 1].count()
            body |= {"count": min(counted, LARGEST_COUNT), "count_is_capped": counted > LARGEST_COUNT}
        return Response(body)


class Shown(Resource):
    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        return self.shown(self.row())


def _shown_context(asked: Mapping[str, Any]) -> dict[str, Any]:
    return {"fields": asked.get("fields"), "expand": asked.get("expand", ())}


_LIST_QUERIES: dict[type[Resource], type[Query]] = {}


def _list_query(view: type[Resource]) -> type[Query]:
    """Made once a view: making a serializer class takes longer than answering with it."""
    if view not in _LIST_QUERIES:
        _LIST_QUERIES[view] = list_query(view.representation, view.filters, view.orders, view.usual_order)
    return _LIST_QUERIES[view]


@cache
def _item_query(representation: type[Representation]) -> type[Query]:
    return item_query(representation)
