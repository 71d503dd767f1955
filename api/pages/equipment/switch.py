"""A switch: whose it is, whether it has power for all its ports, and who loses power first."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest

from api.pages.answers import answer_of
from api.pages.drawings.poe import poe
from api.pages.parts.facts import nothing_recorded
from api.pages.templatetags.marks import NOT_RECORDED
from sites.models import Switch, SwitchFacts
from sites.wording import capital
from zones.limits.amounts import amount

from .thing import Answer, EquipmentPage, Part, worst_verdict


class SwitchPage(EquipmentPage):
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

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        shown = super().context(request, **kwargs)
        owner = Switch.Owner(shown["thing"]["owner"])
        return {
            **shown,
            "owner": _owner_words(owner),
            "may_be_touched": owner is Switch.Owner.INTEGRATOR,
            "power": self.power,
            "drawing": poe(self.power) if self.power and self.power["ports"] else "",
            "ports": self._ports(self.power) if self.power else [],
            "free": nothing_recorded("Port", self.power["free"]) if self.power else "",
        }

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


def _owner_words(owner: Switch.Owner) -> str:
    """``Owner: customer. Do not touch.``"""
    whose, _, rule = owner.label.partition(": ")
    whose = NOT_RECORDED if owner is Switch.Owner.UNKNOWN else whose
    return f"Owner: {whose}. {capital(rule)}{'.' if rule else ''}".strip()
