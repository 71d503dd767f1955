"""Pages with plain forms. GET shows them, POST writes through the API's own view and leads back to the page.
What is refused stays in the form, beside what would be right."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, Final

from django import forms
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect

from api.conventions.problems import BAD_REQUEST, STALE_VERSION, ProblemError
from sites.access.abilities import Ability

from .answers import Versioned, change_of
from .page import Page

KEPT: Final = frozenset({400, 409, 412, 422, 503})
"""Problems after which what was typed stands in the form again; any other is a page of its own."""


def see_other(address: str) -> HttpResponse:
    """After a form was stored: the page is read again, and loading it again sends nothing."""
    there = HttpResponseRedirect(address)
    there.status_code = 303
    return there


class Field(forms.CharField):
    """A text as it was typed, which the API reads: it alone says what is wrong. needed: browsers ask for it
    before they send the form."""

    def __init__(
        self, label: str, widget: forms.Widget, help_text: str = "", *, longest: int = 0, needed: bool = False
    ) -> None:
        super().__init__(label=label, widget=widget, help_text=help_text, required=False, strip=False)
        self.widget.attrs |= {"maxlength": longest} if longest else {}
        self.widget.attrs |= {"required": True} if needed else {}


def day_field(label: str, help_text: str = "", *, needed: bool = False) -> Field:
    return Field(label, forms.DateInput(attrs={"type": "date"}), help_text, needed=needed)


def text_field(label: str, help_text: str = "", *, longest: int, needed: bool = False) -> Field:
    widget = forms.Textarea(attrs={"rows": 2})
    return Field(label, widget, help_text, longest=longest, needed=needed)


def line_field(label: str, help_text: str = "", *, longest: int) -> Field:
    return Field(label, forms.TextInput(attrs={"autocomplete": "off"}), help_text, longest=longest)


def choice_field(label: str, choices: Sequence[tuple[str, str]], *, needed: bool = False) -> Field:
    return Field(label, forms.Select(choices=[("", "Choose"), *choices]), needed=needed)


class Act(forms.Form):
    """One thing that can be done on a page. Its fields have the names of the API. name: what the form sends
    as `act`; fixed: what the body holds besides its fields; sends_blank: a blank field is sent too."""

    name: ClassVar[str]
    title: ClassVar[str]
    button: ClassVar[str]
    fixed: ClassVar[Mapping[str, Any]] = {}
    sends_blank: ClassVar[bool] = False

    def __init__(self, data: Any = None, **options: Any) -> None:
        super().__init__(data, auto_id=f"{self.name}-%s", label_suffix="", **options)

    @property
    def body(self) -> dict[str, Any]:
        """What is sent to the API."""
        typed = self.cleaned_data.items()
        return {**self.fixed, **{name: value for name, value in typed if value or self.sends_blank}}

    def refuse(self, problem: ProblemError) -> None:
        """Say what is wrong beside each field; what is of none, above them all."""
        if not problem.errors:
            self.add_error(None, problem.detail)
        for one in problem.errors:
            name = one.path.lstrip("/")
            self.add_error(name if name in self.fields else None, one.detail)


def answer_refused(
    page: Page, request: HttpRequest, form: Act, problem: ProblemError, **kwargs: Any
) -> HttpResponse:
    """The page again, its form with what was typed and why the API refuses that. Raises the problem where
    nothing typed into the form would mend it."""
    if problem.kind.status not in KEPT:
        raise problem
    form.refuse(problem)
    answer = page.show(request, **kwargs)
    answer.status_code = problem.kind.status
    return answer


class FormPage(Page):
    """A page of one thing with acts on it, for those who hold `writes`. watched: the names of what of the
    thing may change while somebody fills in a form. done: the part of the page that shows what was done."""

    http_method_names = ["get", "head", "post"]
    writes: ClassVar[Ability]
    acts: ClassVar[tuple[type[Act], ...]]
    watched: ClassVar[tuple[str, ...]]
    done: ClassVar[str]

    refused: Act | None = None
    is_stale = False
    seen: Mapping[str, Any]

    def resource(self, **kwargs: Any) -> str:
        """Where the thing is in the API, below its root."""
        raise NotImplementedError

    def acts_now(self, thing: Any) -> list[Act]:
        """The acts that fit the thing as it is, each filled in as it begins."""
        raise NotImplementedError

    def meanwhile(self, seen: Mapping[str, Any], thing: Any) -> list[str]:
        """What changed after `seen` (the watched values) was shown, and by whom, in sentences."""
        raise NotImplementedError

    def form_parts(self, thing: Versioned) -> dict[str, Any]:
        """What `_acts.html` shows; nothing for those who may not act."""
        if not self.principal.may(self.writes):
            return {"acts": []}
        data = json.loads(json.dumps(thing.data, default=str))
        acts = self.acts_now(data)
        if self.refused is not None:
            refused = self.refused
            if self.is_stale:
                said = self.meanwhile(self.seen, data) or ["Its figures were computed again."]
                for one in ("Someone changed this while you filled in the form.", *said):
                    refused.add_error(None, one)
                refused.add_error(None, "What you typed is kept: send it again if it still holds.")
            others = {act.name: act for act in acts}
            acts = list({**others, refused.name: refused}.values())
        seen = json.dumps({name: data[name] for name in self.watched})
        return {"acts": acts, "version": thing.version, "seen": seen, "refused": self.refused}

    def post(self, request: HttpRequest, *_args: Any, **kwargs: Any) -> HttpResponse:
        self.begin(request)
        self.principal.require(self.writes)
        form = self._sent(request)
        if form.is_valid():
            version = request.POST.get("version")
            try:
                change_of(request, "PATCH", self.resource(**kwargs), form.body, version)
            except ProblemError as problem:
                if problem.kind.status not in KEPT:
                    raise
                self._keep(request, form, problem)
                status = problem.kind.status
            else:
                return see_other(f"{request.path}#{self.done}")
        else:
            self.refused, status = form, 400
        answer = self.show(request, **kwargs)
        answer.status_code = status
        return answer

    def _sent(self, request: HttpRequest) -> Act:
        name = request.POST.get("act", "")
        for act in self.acts:
            if act.name == name:
                return act(request.POST)
        known = ", ".join(act.name for act in self.acts)
        raise ProblemError(BAD_REQUEST, f"The form names no act of this page; it has {known}.")

    def _keep(self, request: HttpRequest, form: Act, problem: ProblemError) -> None:
        self.refused, self.is_stale = form, problem.kind is STALE_VERSION
        if not self.is_stale:
            form.refuse(problem)
            return
        try:
            seen = json.loads(request.POST.get("seen", ""))
        except ValueError:
            seen = None
        self.seen = seen if isinstance(seen, dict) else {}
