"""View sets: one a resource, with its list, single things and actions.

A `ReadOnlyViewSet` has a `gate`, a `serializer_class`, and for its list a `filterset_class`,
`ordering_fields` (by name, the field or lookup) and `ordering`. What is written through operations of the
record names them in `bodies`, and takes `CreateMixin`, `UpdateMixin`, `DestroyMixin`, or these three
(`RecordViewSet`), and `CorrectMixin`. Any other action has its `Spec` in its decorator.

A thing's `ETag` is the version of its rows; a change names the version it builds on in `If-Match`. 428
and 412 are decided before the body is looked at. The service that writes compares the version once more
under its lock, so that of two requests that both passed here only the first writes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, ClassVar

from django.db import transaction
from django.db.models import Model, QuerySet
from django.urls import reverse
from django.utils.http import parse_etags
from rest_framework.decorators import action
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import ViewSetMixin

from sites.access.abilities import Ability
from sites.access.gates import Gate, NotFound
from sites.access.scope import scoped
from sites.changes.errors import ChangeConflict
from sites.changes.making import version_of
from sites.changes.services import Accepted, Change
from sites.changes.withdrawing import why_gone
from sites.models.changes import Change as ChangeRow
from sites.models.rows import as_listed

from .bodies import Rendered
from .bulk_writing import BulkWriting
from .filters import FilterSet, item_query, list_query
from .permissions import Needed
from .problems import BAD_REQUEST, NOT_FOUND, PRECONDITION_REQUIRED, STALE_VERSION, ProblemError
from .serializers import QuerySerializer, ResourceSerializer, kept_serializer
from .sizes import fitting
from .views import ApiView, Spec
from .writing import Writing

Body = type[Any] | Writing | BulkWriting

# --- versions -------------------------------------------------------------------------------------------

Versions = Mapping[str, int]
"""What a thing consists of, each row with its version, under the keys that operations expect versions by
(``supply/12``, and ``supply_facts/12`` for the last facts of it)."""


def versions_of(row: Model) -> Versions:
    """The version of a thing that is one row."""
    return {f"{row._meta.db_table}/{row.pk}": version_of(row)}


def etag(versions: Versions) -> str:
    """The versions as an entity tag, quotes included."""
    return f'"{"-".join(map(str, versions.values()))}"'


def require_match(request: Request, versions: Versions) -> None:
    """Raise 428 without `If-Match`, 412 unless it names these versions (strong comparison, RFC 9110 section
    13.1.1)."""
    given = request.headers.get("If-Match")
    if given is None:
        raise ProblemError(
            PRECONDITION_REQUIRED, "Read this first, and send the ETag that came with it in If-Match."
        )
    tags = parse_etags(given)
    if not tags:
        raise ProblemError(BAD_REQUEST, 'If-Match must hold an entity tag in quotes, as in "41".')
    if tags != ["*"] and etag(versions) not in tags:
        raise stale(versions)


def stale(versions: Versions) -> ProblemError:
    """The 412: another change came in between; its headers have the present version."""
    return ProblemError(
        STALE_VERSION,
        f"This was changed in the meantime; its present version is {etag(versions)}.",
        headers={"ETag": etag(versions)},
    )


# --- view sets ------------------------------------------------------------------------------------------


class ReadOnlyViewSet(ViewSetMixin, ApiView, GenericAPIView):
    gate: ClassVar[Gate[Any]]
    serializer_class: type[ResourceSerializer]
    filterset_class: ClassVar[type[FilterSet]] = FilterSet
    ordering_fields: ClassVar[Mapping[str, str]] = {"name": "name", "site": "site__name", "id": "id"}
    ordering: ClassVar[str] = "name"
    bodies: ClassVar[Mapping[str, Body | None]] = {}
    # Serializers of operations that do not answer with the thing
    answers: ClassVar[Mapping[str, Any]] = {}
    read_ability: ClassVar[Needed] = Ability.READ_RECORD
    write_ability: ClassVar[Needed] = Ability.WRITE_RECORD
    # Set in the decorator of an action with a query, an ability or an answer of its own
    action_spec: Spec | None = None

    lookup_field = "id"
    lookup_value_converter = "int"

    def spec_of(self, operation: str) -> Spec:
        if self.action_spec is not None:
            answer = self.action_spec.answer or self.serializer_class
            return replace(
                self.action_spec, ability=self.action_spec.ability or self.write_ability, answer=answer
            )
        answer = self.answers.get(operation, self.serializer_class)
        if operation == "list":
            return Spec(self.read_ability, query=self._list_query(), answer=answer)
        if operation == "retrieve":
            return Spec(self.read_ability, query=self.item_query(), answer=answer)
        return Spec(
            self.write_ability,
            body=self.bodies[operation],
            answer=None if operation == "destroy" else answer,
            status=204 if operation == "destroy" else 200 if self.detail else 201,
            if_match=self.detail,
        )

    def _list_query(self) -> type[QuerySerializer]:
        return list_query(
            self.serializer_class, self.filterset_class, tuple(self.ordering_fields), self.ordering
        )

    def item_query(self) -> type[QuerySerializer]:
        """The query of one thing."""
        return item_query(self.serializer_class)

    # --- rows -----------------------------------------------------------------------------------------------

    @property
    def model(self) -> type[Model]:
        return self.gate.model

    def get_queryset(self) -> QuerySet[Any]:
        """The rows of the list, all in scope. Extend this queryset; never start from another."""
        return scoped(self.model, self.principal.scope)

    def get_object(self) -> Any:
        """The thing of this address; `NotFound` where it does not exist or is out of scope. The message says
        so where the thing was recorded by mistake and withdrawn."""
        row_id = int(self.kwargs["id"])
        try:
            return self.gate(principal=self.principal, id=row_id)
        except NotFound:
            detail = why_gone(self.model, row_id, scoped(ChangeRow, self.principal.scope))
            if detail is None:
                raise
            raise ProblemError(NOT_FOUND, detail) from None

    def matched_object(self) -> Any:
        """The thing of this address, in the version that `If-Match` names: checked before the body."""
        row = self.get_object()
        require_match(self.request, self.versions(row))
        return row

    def versions(self, row: Any) -> Versions:
        """The rows that a change of this thing builds on; of one with dated facts, the last of these too."""
        return versions_of(row)

    def always_has(self, path: str) -> bool:  # noqa: ARG002
        """Whether every row that is asked for has this sort key, though its column may be null."""
        return False

    def annotate(self, rows: Sequence[Any]) -> None:
        """Annotate rows with what their serializer shows beyond their columns, in a fixed number of queries a
        page."""

    def _annotate(self, rows: Sequence[Any]) -> None:
        self.annotate(rows)
        self.serializer_class.attach_lists(rows, self.asked.get("expand", ()))

    def get_serializer_context(self) -> dict[str, Any]:
        return {"fields": self.asked.get("fields"), "expand": self.asked.get("expand", ())}

    def shown(self, rows: Sequence[Any]) -> list[dict[str, Any]]:
        """Rows of this view, as its serializer shows them to this request."""
        return kept_serializer(self.serializer_class, **self.get_serializer_context()).show_all(rows)

    def respond(self, row: Any, *, status: int = 200) -> Response:
        """`row` with its ETag; a new one with its Location too."""
        self._annotate([row])
        headers = {"ETag": etag(self.versions(row))}
        if status == 201:
            headers["Location"] = reverse(f"{self.basename}-detail", kwargs={"id": row.pk})
        return Response(self.shown([row])[0], status=status, headers=headers)

    def respond_reread(self, row_id: int, *, status: int = 201) -> Response:
        """What a write made, read as any GET reads it."""
        return self.respond(self.gate(principal=self.principal, id=row_id), status=status)

    # --- actions --------------------------------------------------------------------------------------------

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        expand = self.asked.get("expand", ())
        rows: Any = self.filter_queryset(self.serializer_class.with_expansions(self.get_queryset(), expand))
        if isinstance(rows, QuerySet) and not expand and self.serializer_class.shows_columns():
            rows = as_listed(rows)
        page: Any = self.paginate_queryset(rows)
        self._annotate(page)
        items = self.shown(page)
        shown, rendered = fitting(items)
        if shown < len(items):
            pages: Any = self.paginator
            pages.end_after(page[shown - 1])
        answer = self.get_paginated_response(items[:shown])
        answer.data = Rendered(answer.data, items=rendered)
        return answer

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        return self.respond(self.get_object())


class OperationViewSet(ReadOnlyViewSet):
    """Written through operations of the record.

    Someone else's change that comes between reading a version and writing is a 412 as well: the operation
    expects the versions once more, under the lock."""

    def perform(self, row: Any = None, *, expects: bool = True) -> Accepted[Any]:
        """Apply the operation of this action: to `row`, in the version that was read where the operation
        `expects` one; without a row, it makes a new thing."""
        writing = self.spec.body
        assert isinstance(writing, Writing), f"{self.operation} has no Writing for its body"
        change, values = writing.read(self.request.data, self.principal)
        if row is None:
            return self.write(writing, change, values)
        if writing.subject is not None:
            # An operation that takes several of a thing is given the one that the address names
            values[writing.subject] = [row] if writing.operation.parameters[writing.subject].many else row
        return self.accept(writing, change, values, row, expects=expects)

    def change(self, *, expects: bool = True) -> Response:
        """Apply the operation of this action to the thing that the address names, in the version that
        `If-Match` names where the operation `expects` one; answers with the thing as it is then."""
        self.perform(self.matched_object() if expects else self.get_object(), expects=expects)
        return self.respond(self.get_object())

    def accept(
        self, writing: Writing, change: Change, values: dict[str, Any], row: Any, *, expects: bool = True
    ) -> Accepted[Any]:
        """
        1. What belongs to a site: the operation takes the site's lock, and then expects the versions.
        2. What all sites share has no such lock: so its row is locked first, as its UPDATE will lock it.
        """
        if writing.operation.shared:
            with transaction.atomic():
                self._lock(row)
                return self.write(writing, change, values)
        change = replace(change, site_id=self.site_id_of(row))
        try:
            return self.write(writing, change, values, self.versions(row) if expects else None)
        except ChangeConflict as error:
            raise stale(self.versions(self.get_object())) from error

    def write(
        self,
        writing: Writing | BulkWriting,
        change: Change,
        values: Any,
        expects: Mapping[str, int] | None = None,
    ) -> Accepted[Any]:
        """Every write of a view set comes through here; ``values`` are what its `writing` reads."""
        return writing.accept(change, values, expects)

    def answered(self, answer: Response) -> Response:
        """The answer to a write, with what was asked for beside it."""
        return answer

    def _lock(self, row: Any) -> None:
        locked = self.get_queryset().select_for_update(of=("self",), no_key=True).filter(pk=row.pk).first()
        if locked is None:
            raise NotFound
        if self.versions(locked) != self.versions(row):
            raise stale(self.versions(locked))

    def site_id_of(self, row: Any) -> int:
        site_id: int = row.site_id
        return site_id


class CreateMixin(OperationViewSet):
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        return self.respond(self.perform().result, status=201)


class UpdateMixin(OperationViewSet):
    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        return self.change()


class CorrectMixin(OperationViewSet):
    @action(detail=True, methods=["post"])
    def correct(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Correct what was recorded wrongly. This changes nothing on site."""
        return self.change()


class DestroyMixin(OperationViewSet):
    """Mixin for things that can be ended or removed, which takes the version and a reason like any other
    change."""

    def destroy(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        self.perform(self.matched_object())
        return Response(status=204)


class RecordViewSet(CreateMixin, UpdateMixin, DestroyMixin):
    """View set of things that are made, changed, and in the end taken down or removed."""
