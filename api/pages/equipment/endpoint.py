"""A networked audio device: how it is reached and powered, which runs and zones it drives."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from django.http import HttpRequest

from api.pages.answers import answer_of
from api.pages.parts.facts import Fact, field_of, words_of
from sites.models import Endpoint, EndpointFacts, Output, Switch, SwitchPortFacts

from .switch import owner_words
from .thing import Answer, EquipmentPage, Line, Part


class EndpointPage(EquipmentPage):
    shows = Endpoint
    kind = "endpoint"
    resource = "endpoints"
    models = (Endpoint, EndpointFacts)
    expand = "site,closet,model,cable_type"
    recorded = (
        "service",
        "place",
        "address",
        "vlan",
        "multicast_group",
        "page_code",
        "mac",
        "serial",
        "firmware",
        "configuration_backup",
        "warranty_end",
        "negotiated_class",
        "negotiated_power_w",
    )
    rated = (
        "kind",
        "poe_class",
        "idle_poe_w",
        "paging_poe_w",
        "output_count",
        "output_impedance_ohm",
        "output_level_v",
        "output_speakers_max",
    )

    def facts(self, thing: Answer) -> list[Fact]:
        length = words_of(
            field_of(EndpointFacts, "cable_length_m"), thing["cable_length_m"], thing["site"]["length_unit"]
        )
        basis = words_of(field_of(EndpointFacts, "cable_length_basis"), thing["cable_length_basis"])
        cable = thing["cable_type"]
        return [
            *super().facts(thing),
            Fact("Length of its data cable", f"{length}, {basis}" if length else ""),
            Fact("Data cable", cable["name"] if cable else ""),
        ]

    def parts(self, request: HttpRequest, thing: Answer) -> list[Part]:
        return [self._driven(request, thing), *self._heard(request, thing), self._powered(request, thing)]

    def _driven(self, request: HttpRequest, thing: Answer) -> Part:
        """Each output with the runs on it."""
        outputs, _ = self.list_of(request, "outputs", endpoint_id=thing["id"], order="number")
        runs, is_cut = self.list_of(request, "runs", endpoint_id=thing["id"], expand="zone")
        self.beside |= {("output", output["id"]) for output in outputs}
        on_output = defaultdict(list)
        for run in runs:
            on_output[run["output_id"]].append(run)
        lines: list[Line] = []
        for output in outputs:
            terminal = words_of(field_of(Output, "terminal"), output["terminal"]) or "terminal not recorded"
            said = f"output {output['number']}, {terminal}"
            lines += (self.run_line(run, said) for run in on_output[output["id"]])
            if not on_output[output["id"]]:
                name = f"Output {output['number']}"
                lines.append(Line("output", {**output, "name": name}, f"{terminal}; no run recorded"))
        return Part("Outputs, and the runs on them", tuple(lines), "No output is recorded.", is_cut)

    def _heard(self, request: HttpRequest, thing: Answer) -> list[Part]:
        """The zones in which a network speaker is heard without a run."""
        heard, is_cut = self.list_of(request, "zone-endpoints", endpoint_id=thing["id"], expand="zone")
        if not heard:
            return []
        lines = tuple(Line("zone", one["zone"]) for one in heard)
        return [Part("Zones in which it is heard without a run", lines, "", is_cut)]

    def _powered(self, request: HttpRequest, thing: Answer) -> Part:
        title = "What powers it"
        source = words_of(field_of(EndpointFacts, "power_source"), thing["power_source"])
        if thing["port_id"] is None:
            return Part(
                title,
                (),
                f"{source}; port not recorded"
                if thing["power_source"] == "port"
                else source or "Not recorded.",
            )
        port = answer_of(request, f"switch-ports/{thing['port_id']}", as_of=self.on, expand="switch")
        self.beside.add(("port", port["id"]))
        return Part(title, (Line("switch", port["switch"], _port_words(port)),), "")


def _port_words(port: dict[str, Any]) -> str:
    """``port 3, priority low. Owner: customer. Do not touch.``; of a switch of ours the owner is left out."""
    priority = words_of(field_of(SwitchPortFacts, "priority"), port["priority"]) or "not recorded"
    said = f"port {port['number']}, priority {priority}"
    owner = Switch.Owner(port["switch"]["owner"])
    return said if owner is Switch.Owner.INTEGRATOR else f"{said}. {owner_words(owner)}"
