"""What all pages share: who may look, the day that is asked for, what was opened last, problems as pages."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, ClassVar

from django.conf import settings
from django.contrib.auth.views import redirect_to_login
from django.db.models import Model
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.cache import patch_cache_control
from django.views import View

from api.conventions import fields
from api.conventions.permissions import AUTHENTICATED, PUBLIC, Needed, count_request
from api.conventions.problems import RATE_LIMITED, ProblemError
from api.conventions.serializers import QuerySerializer
from api.conventions.views import checked_query
from sites.access.abilities import Ability
from sites.access.selectors import Principal, principal_of
from sites.once import reading_once

from . import opened, problem_pages
from .typed import log_in_and_back


class OnQuery(QuerySerializer):
    """Query of a page whose parts depend on the day."""

    on = fields.Day(required=False, help_text="As of the end of this day in the site's time zone.")


class Page(View):
    """One page to look at. `template_name` is filled with `context()`; `query` says what may stand behind the
    `?` of its address; `shows`: the model of the thing whose id is in its address; `acts`: its forms, which
    are carried over a log-in."""

    template_name: ClassVar[str]
    query: ClassVar[type[QuerySerializer]] = QuerySerializer
    shows: ClassVar[type[Model] | None] = None
    acts: ClassVar[tuple[type[Form], ...]] = ()
    http_method_names = ["get", "head"]

    may: Needed = Ability.READ_RECORD  # from its row in `PAGES`
    asked: Mapping[str, Any]
    principal: Principal

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        """What the template shows. kwargs: what the address holds."""
        raise NotImplementedError

    @property
    def on(self) -> date | None:
        """The day that was asked for; None: today."""
        return self.asked.get("on")

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> Any:
        if self.may != PUBLIC and not request.user.is_authenticated:
            if request.method == "POST" and self.acts:
                return log_in_and_back(request)
            return redirect_to_login(request.get_full_path(), settings.LOGIN_URL)
        try:
            response = super().dispatch(request, *args, **kwargs)
        except Exception as error:
            problem = problem_pages.problem_of(request, error)
            if problem is None:
                raise  # a fault of ours
            response = problem_pages.as_page(request, problem)
        # It is of one person, who may have logged out meanwhile
        patch_cache_control(response, private=True, no_store=True)
        return response

    def get(self, request: HttpRequest, *_args: Any, **kwargs: Any) -> HttpResponse:
        self.begin(request)
        with reading_once():
            return self.show(request, **kwargs)

    def begin(self, request: HttpRequest) -> None:
        """Check the caller, their abilities and the query."""
        if request.user.is_authenticated:
            self._count(request)
            self.principal = request.principal = principal_of(request.user)  # type: ignore[attr-defined]
            if self.may not in (PUBLIC, AUTHENTICATED):
                self.principal.require(Ability(self.may))
        self.asked = checked_query(request.GET, self.query).validated_data

    def show(self, request: HttpRequest, **kwargs: Any) -> HttpResponse:
        shown = {"on": self.on, **self.context(request, **kwargs)}
        if self.shows is not None:
            opened.note(request, self.shows, kwargs["id"])
        return self.answer(request, shown)

    def answer(self, request: HttpRequest, shown: dict[str, Any]) -> HttpResponse:
        return render(request, self.template_name, shown)

    def http_method_not_allowed(self, request: HttpRequest, *_args: Any, **_kwargs: Any) -> HttpResponse:
        return problem_pages.not_allowed(request, self.http_method_names)

    def _count(self, request: HttpRequest) -> None:
        used, reset_s = count_request(f"user {request.user.pk}")
        quota: int = settings.REQUESTS_PER_MINUTE
        if used > quota:
            raise ProblemError(
                RATE_LIMITED,
                f"You may open {quota} pages in a minute; wait {reset_s} seconds.",
                headers={"Retry-After": str(reset_s)},
            )
