"""Logging in and out. Wrong passwords are counted for each account and address (django-axes, settings)."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib.auth import views
from django.contrib.auth.forms import AuthenticationForm
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from api.conventions import problems
from api.conventions.problems import ProblemError

from . import problem_pages
from .typed import typed_before


class LogIn(views.LoginView):
    """With a safe `next`, Django's view goes there, else to the start."""

    template_name = "pages/log_in.html"
    redirect_authenticated_user = True

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
    headers = {"Retry-After": str(minutes * 60)}
    return problem_pages.as_page(request, ProblemError(problems.RATE_LIMITED, detail, headers=headers))
