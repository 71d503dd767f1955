"""Logging in and out. Wrong passwords are counted for each account and address (django-axes, settings)."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib.auth import views
from django.http import HttpRequest, HttpResponse

from api.conventions import problems
from api.conventions.problems import ProblemError

from . import problem_pages


class LogIn(views.LoginView):
    """With a safe `next`, Django's view goes there, else to the start."""

    template_name = "pages/log_in.html"
    redirect_authenticated_user = True


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
    headers = {"Retry-After": str(minutes * 60)}
    return problem_pages.as_page(request, ProblemError(problems.RATE_LIMITED, detail, headers=headers))
