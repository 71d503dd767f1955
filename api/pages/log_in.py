"""Logging in and out. Wrong passwords are counted for each account and address (django-axes, settings).

To check a password takes 100 MiB and a fifth of a second, and anybody can ask for it. So log-ins are counted
for each address before that, and few are checked at once."""

from __future__ import annotations

import threading
from typing import Any, Final

from django.conf import settings
from django.contrib.auth import views
from django.contrib.auth.forms import AuthenticationForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from api.conventions import problems
from api.conventions.permissions import address_of, count_request
from api.conventions.problems import ProblemError

from . import problem_pages
from .typed import typed_before

AT_ONCE: Final = 2
"""In one process: half of its threads, and 200 MiB."""
_places = threading.BoundedSemaphore(AT_ONCE)


class LogIn(views.LoginView):
    """With a safe `next`, Django's view goes there, else to the start."""

    template_name = "pages/log_in.html"
    redirect_authenticated_user = True

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        used, reset_s = count_request(f"log-in {address_of(request)}")
        if used > settings.REFUSED_PER_MINUTE:
            most = settings.REFUSED_PER_MINUTE
            detail = f"This address sent {most} log-ins in a minute; wait {reset_s} seconds."
            return _wait(request, problems.RATE_LIMITED, detail, reset_s)
        if not _places.acquire(blocking=False):
            return _wait(request, problems.UNAVAILABLE, "Many people log in just now: try again.", 1)
        try:
            return super().post(request, *args, **kwargs)
        finally:
            _places.release()

    def get_context_data(self, **kwargs: Any) -> dict[str, Any]:
        return super().get_context_data(typed=self.request.POST.get("typed", ""), **kwargs)

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        """With a form that was typed before: to send it; else to the page that was asked for."""
        carried = self.request.POST.get("typed", "")
        onwards = super().form_valid(form)
        typed = typed_before(carried, self.get_redirect_url()) if carried else None
        return render(self.request, "pages/send_again.html", {"typed": typed}) if typed else onwards


class LogOut(views.LogoutView):
    http_method_names = ["post"]
    next_page = settings.LOGIN_URL

    def http_method_not_allowed(self, request: HttpRequest, *_args: Any, **_kwargs: Any) -> HttpResponse:
        return problem_pages.not_allowed(request, self.http_method_names)


def locked(request: HttpRequest, *_args: Any, **_kwargs: Any) -> HttpResponse:
    """Called by django-axes where an account took too many wrong passwords from one address."""
    minutes = int(settings.AXES_COOLOFF_TIME.total_seconds() // 60)
    detail = (
        f"{settings.AXES_FAILURE_LIMIT} wrong passwords were given for this account from this address. "
        f"Log-in for it is locked from here for {minutes} minutes."
    )
    return _wait(request, problems.RATE_LIMITED, detail, minutes * 60)


def _wait(request: HttpRequest, kind: problems.Kind, detail: str, seconds: int) -> HttpResponse:
    problem = ProblemError(kind, detail, headers={"Retry-After": str(seconds)})
    return problem_pages.as_page(request, problem)
