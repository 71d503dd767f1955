"""A DC supply: what it delivers, what is behind it, which runs it feeds."""

from __future__ import annotations

from django.http import HttpRequest

from sites.models import Supply, SupplyFacts

from .thing import Answer, EquipmentPage, Line, Part


class SupplyPage(EquipmentPage):
    shows = Supply
    kind = "supply"
    resource = "supplies"
    models = (Supply, SupplyFacts)
    recorded = ("outlet", "breaker", "ups", "battery_installed_on")
    rated = (
        "rated_current_a",
        "no_load_voltage_v",
        "rated_load_voltage_v",
        "lowest_voltage_v",
        "float_voltage_v",
        "class_2_marked",
    )

    def parts(self, request: HttpRequest, thing: Answer) -> list[Part]:
        at_block = self.runs(
            request,
            "Runs that it feeds",
            "No run is recorded as fed by it at its block.",
            supply_id=thing["id"],
        )
        points, is_cut = self.list_of(request, "points", feed_supply_id=thing["id"], expand="run")
        if not points:
            return [at_block]
        midway = tuple(
            Line(
                "run", point["run"], f"fed at point {point['name']}, {point['place'] or 'place not recorded'}"
            )
            for point in points
        )
        return [at_block, Part("Runs that it feeds along their way", midway, "", is_cut)]
