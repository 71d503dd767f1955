"""What somebody typed into a form before a log-in was asked for. The log-in page carries it on; after the
log-in it is shown, to be sent to its page. Forms that ask for a code carry nothing."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Final

from django.contrib.auth.forms import AuthenticationForm
from django.forms import BoundField
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import Resolver404, resolve

MOST_TYPED: Final = 20_000
"""Characters in all; longer ones are not carried."""
_NOT_CARRIED: Final = "csrfmiddlewaretoken"


@dataclass(frozen=True)
class Typed:
    """path: of the page. sent: names and values of its form; shown: labels and values of what was typed."""

    path: str
    button: str
    title: str
    sent: list[tuple[str, str]]
    shown: list[tuple[str, str]]


def log_in_and_back(request: HttpRequest) -> HttpResponse:
    """The log-in page, with what was posted."""
    typed = json.dumps(
        [[name, value] for name, values in request.POST.lists() for value in values if name != _NOT_CARRIED]
    )
    shown = {
        "form": AuthenticationForm(request),
        "next": request.path,
        "typed": typed if len(typed) <= MOST_TYPED else "",
    }
    return render(request, "pages/log_in.html", shown, status=403)


def typed_before(carried: str, path: str) -> Typed | None:
    """What a log-in page carried for the page at the path; None where that takes no such form."""
    try:
        view: Any = resolve(path).func
        acts = {act.name: act for act in getattr(getattr(view, "view_class", None), "acts", ())}
        sent = [(str(name), str(value)) for name, value in json.loads(carried[:MOST_TYPED])]
    except (Resolver404, TypeError, ValueError):
        return None
    posted = QueryDict(mutable=True)
    for name, value in sent:
        posted.appendlist(name, value)
    act = acts.get(posted.get("act", ""))
    if act is None:
        return None
    form = act(posted)
    return Typed(path, act.button, act.title, sent, [(str(field.label), _said(field)) for field in form])


def _said(field: BoundField) -> str:
    """What was typed; of a choice, what it was called."""
    value = str(field.value() or "")
    return str(dict(getattr(field.field.widget, "choices", ())).get(value, value))
