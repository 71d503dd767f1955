"""A switch: whose it is, whether it has power for all its ports, and who loses power first."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse

from api.conventions.problems import ProblemError
from api.pages.answers import answer_of, change_of
from api.pages.drawings.poe import poe
from api.pages.form_page import answer_refused, see_other
from api.pages.parts.facts import nothing_recorded
from api.pages.templatetags.marks import NOT_RECORDED, day
from sites.access.abilities import Ability
from sites.changes.making import today_in
from sites.models import Switch, SwitchFacts
from sites.wording import capital
from zones.limits.amounts import amount
from zones.models import Test

from .power_table import PasteTable
from .thing import Answer, EquipmentPage, Part, worst_verdict

_READINGS = 10
"""The last tests of its power that are shown."""


class SwitchPage(EquipmentPage):
    http_method_names = ["get", "head", "post"]
    acts = (PasteTable,)
    template_name = "pages/switch.html"
    shows = Switch
    kind = "switch"
    resource = "switches"
    models = (Switch, SwitchFacts)
    recorded = ("serial", "power_supply_count", "usage_threshold")
    rated = (
        "port_count",
        "port_type",
        "power_supplies_max",
        "poe_budget_w",
        "poe_budget_one_lost_w",
    )

    power: Answer | None
    form: PasteTable | None = None

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        shown = super().context(request, **kwargs)
        owner = Switch.Owner(shown["thing"]["owner"])
        return {
            **shown,
            "owner": owner_words(owner),
            "may_be_touched": owner is Switch.Owner.INTEGRATOR,
            "power": self.power,
            "drawing": poe(self.power) if self.power and self.power["ports"] else "",
            "ports": self._ports(self.power) if self.power else [],
            "free": nothing_recorded("Port", self.power["free"]) if self.power else "",
            "readings": self._readings(request, shown["thing"]),
            "form": self._form(shown["thing"]),
        }

    def post(self, request: HttpRequest, *_args: Any, **kwargs: Any) -> HttpResponse:
        self.begin(request)
        self.principal.require(Ability.WRITE_TESTS)
        form = self.form = PasteTable(request.POST)
        form.is_valid()
        why = {"reason": "Table of power that the switch printed"}
        body = {**form.body, "technician": self.principal.user.get_full_name(), "change": why}
        try:
            change_of(request, "POST", f"switches/{kwargs['id']}/power-readings", body, None)
        except ProblemError as problem:
            return answer_refused(self, request, form, problem, **kwargs)
        return see_other(f"{request.path}#readings")

    def _form(self, switch: Answer) -> PasteTable | None:
        """Nothing for those who may not record tests, on a past day, and of what has ended."""
        if self.on or switch["ended_on"] or not self.principal.may(Ability.WRITE_TESTS):
            return None
        today = today_in(switch["site"]["time_zone"])
        return self.form or PasteTable(model=switch["model"], day=today.isoformat())

    def _readings(self, request: HttpRequest, switch: Answer) -> list[str]:
        """``24 Nov 2026 03:15, idle, group 1: 48 W``, the newest first."""
        until = {"taken_until": self.on} if self.on else {}
        found = answer_of(
            request, "tests", switch_id=switch["id"], kind=Test.Kind.POE_POWER, page_size=_READINGS, **until
        )
        return [
            f"{' '.join([day(one['taken_on']), one['taken_at']]).strip()}, {one['state']}, {_group(one)}: "
            f"{amount(one['value'], 'W')}"
            for one in found["items"]
        ]

    def parts(self, request: HttpRequest, thing: Answer) -> list[Part]:
        # What has ended allocates nothing today
        self.power = (
            answer_of(request, f"switches/{thing['id']}/power", as_of=self.on)
            if self.on or not thing["ended_on"]
            else None
        )
        self.beside |= {("port", port["id"]) for port in self.power["ports"]} if self.power else set()
        return []

    def _ports(self, power: Answer) -> list[dict[str, Any]]:
        """Each port with the zones that depend on it and the worst of its open findings."""
        return [
            {
                **port,
                "cumulative": amount(port["cumulative_w"], "W"),
                "feeds": [
                    (load, {"id": load["endpoint_id"], "name": load["name"]}) for load in port["loads"]
                ],
                "loses": port["loses_power"] or port["loses_power_one_lost"],
                "zones": [zone for zone in power["zones"] if zone["id"] in port["zone_ids"]],
                "verdict": worst_verdict(one["verdict"] for one in self.findings.of({("port", port["id"])})),
            }
            for port in power["ports"]
        ]


def _group(test: Answer) -> str:
    return "all of it" if test["power_group"] is None else f"group {test['power_group']}"


def owner_words(owner: Switch.Owner) -> str:
    """``Owner: customer. Do not touch.``"""
    whose, _, rule = owner.label.partition(": ")
    whose = NOT_RECORDED if owner is Switch.Owner.UNKNOWN else whose
    return f"Owner: {whose}. {capital(rule)}{'.' if rule else ''}".strip()
