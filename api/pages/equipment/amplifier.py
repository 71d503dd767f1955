"""An amplifier: what its lines draw, and which runs it drives."""

from __future__ import annotations

from django.http import HttpRequest

from api.pages.parts.facts import Fact
from sites.models import Amplifier, AmplifierFacts

from .thing import Answer, EquipmentPage, Part


class AmplifierPage(EquipmentPage):
    shows = Amplifier
    kind = "amplifier"
    resource = "amplifiers"
    models = (Amplifier, AmplifierFacts)
    recorded = ("line_voltage_v", "outlet", "breaker")
    rated = ("rated_power_w", "line_voltages_v", "minimum_impedance_ohm", "output_class")

    def facts(self, thing: Answer) -> list[Fact]:
        first, *others = super().facts(thing)
        # No line voltage is how a low-impedance amplifier is recorded; of an unknown one it is unknown
        if not first.value and thing["model_id"] is not None:
            first = Fact(first.label, "none: low impedance")
        return [first, *others]

    def parts(self, request: HttpRequest, thing: Answer) -> list[Part]:
        return [
            self.runs(
                request,
                "Runs that it drives",
                "No run is recorded as driven by it.",
                amplifier_id=thing["id"],
            )
        ]
