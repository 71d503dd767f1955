"""The tests of a run at the wall, on a phone: one reading a screen, in the order of work. What it should read
is shown once the number is in, so that nobody reads what is expected."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from django import forms
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from api.conventions import fields
from api.conventions.problems import BAD_REQUEST, ProblemError
from api.conventions.serializers import QuerySerializer, longest
from api.pages.answers import answer_of, change_of, versioned
from api.pages.form_page import Act, Field, answer_refused, choice_field, line_field, see_other, text_field
from api.pages.page import Page
from api.pages.templatetags.marks import day
from sites.access.abilities import Ability
from sites.access.gates import NotFound
from sites.changes.making import today_in
from sites.wording import capital
from zones.models import Run, Test, Visit
from zones.models.test_kinds import KINDS, TestKind, TestState

from .run import JUDGED_BY
from .tests_in_words import in_words

MOST_INSTRUMENTS: Final = 500
KEPT: Final = ("technician", "instrument", "taken_as", "job")
"""What is said once, and kept from test to test."""
Answer = Mapping[str, Any]


@dataclass(frozen=True)
class Step:
    """One test to take. how: where the probes go, and what has to be off or on."""

    kind: TestKind
    how: str
    state: TestState | None = None

    @property
    def title(self) -> str:
        state = f", {TestState(self.state).label}" if self.state and self.unit else ""
        return f"{capital(TestKind(self.kind).label)}{state}"

    @property
    def unit(self) -> str:
        """Unit of the value; blank: it passes or fails."""
        measured = KINDS[self.kind].measured
        return "" if measured is None else measured.unit

    @property
    def at_a_point(self) -> bool:
        return any("point" in names for names in KINDS[self.kind].subjects)

    @property
    def is_dead(self) -> bool:
        """Whether the wire is isolated for it."""
        return self.state is None


_ISOLATED: Final = (
    Step(TestKind.CONTINUITY, "Each conductor of the field cable from the block to the far end."),
    Step(TestKind.SHORTS, "Between all conductors of the field cable, and from each to earth: open."),
    Step(TestKind.POLARITY, "Positive on positive, on every pair, at the far end."),
    Step(TestKind.TONE_TRACE, "A tone sent on each pair at the block is heard at the far end, on that pair."),
)
_LISTENING: Final = Step(
    TestKind.LISTENING, "Page the zone and walk along the run: every device is heard.", TestState.PAGING
)
_LINE: Final = (
    *_ISOLATED,
    Step(TestKind.LINE_IMPEDANCE, "Line isolated from the amplifier: at 1 kHz between its conductors."),
    _LISTENING,
)
STEPS: Final[Mapping[str, tuple[Step, ...]]] = {
    Run.Kind.SELF_AMPLIFIED: (
        *_ISOLATED,
        Step(
            TestKind.RUN_CURRENT,
            "Everything connected, nothing paged. Clamp around the positive DC conductors of the run.",
            TestState.IDLE,
        ),
        Step(
            TestKind.RUN_CURRENT,
            "The zone paged with speech. Clamp around the positive DC conductors of the run.",
            TestState.PAGING,
        ),
        Step(
            TestKind.END_VOLTAGE,
            "Between positive and negative at the device, while the zone is paged with speech.",
            TestState.PAGING,
        ),
        _LISTENING,
    ),
    Run.Kind.CONSTANT_VOLTAGE: _LINE,
    Run.Kind.LOW_IMPEDANCE: _LINE,
}
"""By kind of run, in the order of work: first what is tested on the isolated cable."""


class Take(Act):
    """One reading: the API says what is wrong with it."""

    name, title, button = "take", "Store", "Store"
    value = Field("Reading", forms.TextInput(attrs={"inputmode": "decimal", "autocomplete": "off"}))
    technician = line_field("Technician", longest=longest(Test, "technician"))
    instrument_record_id = Field("With which instrument", forms.Select())
    taken_as = choice_field("As found or as left", Test.TakenAs.choices)
    job = line_field("Job", longest=longest(Visit, "job_reference"))
    note = text_field("Note", longest=longest(Test, "note"))

    def __init__(self, step: Step, instruments: list[Answer], data: Any = None, initial: Any = None) -> None:
        super().__init__(data, initial=initial)
        self.step = step
        if step.unit:
            self.fields["value"].label = f"Reading in {step.unit}"
        else:
            del self.fields["value"]
        select = self.fields["instrument_record_id"].widget
        assert isinstance(select, forms.Select)
        select.choices = [
            ("", "not among those recorded"),
            *((one["id"], one["label"]) for one in instruments),
        ]
        self.passed = None if data is None else data.get("passed")

    def refuse(self, problem: ProblemError) -> None:
        """What is no number at all is told in the words of the wall."""
        typed = self.cleaned_data.get("value", "")
        if self.step.unit and not isinstance(_number(typed.strip()), int | float):
            self.add_error("value", f"Type the reading in {self.step.unit} as a number, such as 0.25.")
            return
        super().refuse(problem)

    @property
    def body(self) -> dict[str, Any]:
        typed = {name: value.strip() for name, value in self.cleaned_data.items() if name != "job"}
        body: dict[str, Any] = {name: value for name, value in typed.items() if value}
        if "value" in self.fields:
            body["value"] = _number(typed["value"])
        elif self.passed in ("true", "false"):
            body["passed"] = self.passed == "true"
        if "instrument_record_id" in body:
            body["instrument_record_id"] = _number(body["instrument_record_id"])
        return body


class PutInService(Act):
    """The page of the device behind the run, after its tests."""

    name, title, button = "serve", "Put it into service", "Put into service"
    reason = text_field("Why", "It stands in the record with your name.", longest=2000, needed=True)

    @property
    def body(self) -> dict[str, Any]:
        return {"service": "in_service", "change": super().body}


class RunTestsQuery(QuerySerializer):
    step = fields.Whole(
        required=False, default=1, min_value=1, max_value=20, help_text="Which test, from 1 on."
    )
    taken = fields.Id(required=False, help_text="The test that was just stored.")
    again = fields.Id(required=False, help_text="A test that is read again.")
    technician = fields.Text(required=False)
    instrument = fields.Id(required=False)
    taken_as = fields.Choice(choices=Test.TakenAs.choices, required=False)
    job = fields.Text(required=False)


class RunTestsPage(Page):
    template_name = "pages/run_tests.html"
    http_method_names = ["get", "head", "post"]
    query = RunTestsQuery
    shows = Run
    acts = (Take, PutInService)

    form: Act | None = None

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        run = answer_of(request, f"runs/{kwargs['id']}", expand="site,block,endpoint")
        steps = STEPS[run["kind"]]
        number = min(self.asked["step"], len(steps) + 1)
        shown = {
            "run": run,
            "way": [("site", run["site"]), ("block", run["block"]), ("run", run)],
            "number": number,
            "count": len(steps),
            "next": self._address(number + 1),
        }
        if number > len(steps):
            return {**shown, **self._finished(request, run)}
        step = steps[number - 1]
        shown["step"] = step
        if "taken" in self.asked:
            test = self._test_of(request, run, self.asked["taken"])
            return {**shown, "taken": in_words(test), "again": self._address(number, again=test["id"])}
        point = self._point(request, run) if step.at_a_point else None
        if step.is_dead:
            shown["isolation"] = answer_of(request, f"runs/{run['id']}/isolation")
        initial = {
            "technician": self.asked.get("technician") or self.principal.user.get_full_name(),
            "instrument_record_id": self.asked.get("instrument"),
            "taken_as": self.asked.get("taken_as"),
            "job": self.asked.get("job"),
        }
        return {
            **shown,
            "point": point,
            "is_again": "again" in self.asked,
            "form": self.form or Take(step, self._instruments(request, run), initial=initial),
        }

    def post(self, request: HttpRequest, *_args: Any, **kwargs: Any) -> HttpResponse:
        self.begin(request)
        run = answer_of(request, f"runs/{kwargs['id']}", expand="site,block,endpoint")
        steps, number = STEPS[run["kind"]], self.asked["step"]
        serves = request.POST.get("act") == PutInService.name and run["endpoint"] is not None
        if not serves and number > len(steps):
            raise ProblemError(BAD_REQUEST, f"There is no test {number} here; there are {len(steps)}.")
        try:
            if serves:
                self.form = PutInService(request.POST)
                self.form.is_valid()
                address = f"endpoints/{run['endpoint']['id']}"
                change_of(request, "PATCH", address, self.form.body, request.POST.get("version"))
                return see_other(f"{request.path}?step={len(steps) + 1}")
            with transaction.atomic():  # a visit whose first test is refused did not begin
                there = self._store(request, run, steps[number - 1], number)
            return see_other(there)
        except ProblemError as problem:
            if self.form is None:
                raise
            return answer_refused(self, request, self.form, problem, **kwargs)

    def _store(self, request: HttpRequest, run: Answer, step: Step, number: int) -> str:
        """Record the reading. Returns where to go on."""
        form = Take(step, self._instruments(request, run), request.POST)
        self.form = form
        form.is_valid()
        said = form.body
        job = form.cleaned_data["job"].strip()
        why = {"reason": f"Tests of run {run['name']}", **({"job_reference": job} if job else {})}
        if "again" in self.asked:
            self._test_of(request, run, self.asked["again"])
            address, body = f"tests/{self.asked['again']}/supersede", said
        else:
            address = "tests"
            now = timezone.now().astimezone(ZoneInfo(run["site"]["time_zone"]))
            body = {
                "kind": str(step.kind),
                "taken_on": now.date().isoformat(),
                "taken_at": f"{now:%H:%M}",
                **said,
            }
            body |= {"state": str(step.state)} if step.state is not None else {}
            if said.get("technician"):
                body["visit_id"] = self._visit(request, run, body, why)
            point = self._point(request, run) if step.at_a_point else None
            body |= {"run_id": run["id"]} if point is None else {"run_id": run["id"], "point_id": point["id"]}
        test = change_of(request, "POST", address, {**body, "change": why}, None)
        kept = {
            "technician": said.get("technician"),
            "instrument": said.get("instrument_record_id"),
            "taken_as": said.get("taken_as"),
            "job": job,
        }
        if step.unit:
            return self._address(number, taken=test["id"], **kept)
        return self._address(number + 1, **kept)

    def _visit(self, request: HttpRequest, run: Answer, test: Answer, why: Answer) -> int:
        """The visit of this technician to the closet of the run's block on this day; it begins with its first
        test."""
        there = {"closet_id": run["block"]["closet_id"], "technician": test["technician"]}
        on = test["taken_on"]
        found = answer_of(request, "visits", **there, visited_from=on, visited_until=on, page_size=1)
        visits: list[Answer] = found["items"]
        if not visits:
            visit = {**there, "visited_on": on, "job_reference": why.get("job_reference", ""), "change": why}
            visits = [change_of(request, "POST", "visits", visit, None)]
        return int(visits[0]["id"])

    def _finished(self, request: HttpRequest, run: Answer) -> dict[str, Any]:
        shown: dict[str, Any] = {"proof": answer_of(request, f"runs/{run['id']}/proof"), "act": None}
        if run["endpoint"] is not None:
            endpoint = versioned(request, f"endpoints/{run['endpoint']['id']}")
            shown |= {"endpoint": endpoint.data, "version": endpoint.version}
            if endpoint.data["service"] != "in_service" and self.principal.may(Ability.WRITE_RECORD):
                shown["act"] = self.form or PutInService()
        return shown

    def _point(self, request: HttpRequest, run: Answer) -> Answer | None:
        """Where the voltage is read: the point that has the least by the record, else the last one."""
        load = answer_of(request, f"runs/{run['id']}/load")
        judged = next((one["place"] for one in load["items"] if one["code"] == JUDGED_BY), None)
        if judged is not None:
            place: Answer = {"id": judged["id"], "name": judged["name"]}
            return place
        points = answer_of(request, "points", run_id=run["id"], order="-rank", page_size=1)["items"]
        return points[0] if points else None

    def _test_of(self, request: HttpRequest, run: Answer, test_id: int) -> Answer:
        test: Answer = answer_of(request, f"tests/{test_id}")
        if test["run_id"] != run["id"]:
            raise NotFound
        return test

    def _instruments(self, request: HttpRequest, run: Answer) -> list[Answer]:
        """Those recorded, each with its label: its name, and that its calibration has lapsed."""
        found = answer_of(request, "instruments", order="name", page_size=MOST_INSTRUMENTS)["items"]
        today = today_in(run["site"]["time_zone"]).isoformat()
        return [{**one, "label": _label(one, today)} for one in found]

    def _address(self, step: int, **more: Any) -> str:
        """The page at a step; who reads with what is kept."""
        kept = {name: self.asked.get(name) for name in KEPT} | more
        return "?" + urlencode({"step": step, **{name: one for name, one in kept.items() if one}})


def _label(instrument: Answer, today: str) -> str:
    due = instrument["calibration_due_on"]
    lapsed = due is not None and due < today
    return f"{instrument['name']}, calibration lapsed on {day(due)}" if lapsed else str(instrument["name"])


def _number(typed: str) -> Any:
    """The number that was typed, with a comma or a point; any other text unchanged, for the API to refuse."""
    try:
        value = float(typed.replace(",", "."))
    except ValueError:
        return typed
    if not math.isfinite(value):
        return typed
    return int(value) if value.is_integer() else value
