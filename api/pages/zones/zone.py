"""A zone: whether a page is heard there, what it carries, and what feeds it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from django.http import HttpRequest

from api.pages.answers import answer_of
from api.pages.page import OnQuery, Page
from api.pages.parts.figures import listed
from api.pages.parts.people import Person, person_of
from sites.models import Contact
from zones.limits.cautions import Caution
from zones.models import Run, Zone

MOST: Final = 500
"""Most findings on a page: as many as one answer of the API holds."""


class ZonePage(Page):
    template_name = "pages/zone.html"
    query = OnQuery
    shows = Zone

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        address = f"zones/{kwargs['id']}"
        zone = answer_of(request, address, as_of=self.on, expand="site")
        load = answer_of(request, f"{address}/load", as_of=self.on)
        feeds = answer_of(request, f"{address}/feeds", as_of=self.on)
        return {
            "zone": zone,
            "way": [("site", zone["site"])],
            "ask": self._ask(request, zone),
            "load": load,
            "figures": listed(load["items"], self.on),
            "runs": [
                {**one, "kind": Run.Kind(one["kind"]).label, "power": _power(one)} for one in feeds["runs"]
            ],
            "speakers": feeds["speakers"],
            "cautions": [one for one in load["cautions"] if one["code"] != Caution.LIFE_SAFETY],
            "life_safety_caution": next(
                (one["text"] for one in load["cautions"] if one["code"] == Caution.LIFE_SAFETY), ""
            ),
            # A finding is open today; what was past on another day is not kept as a finding of that day
            "causes": [] if self.on else _causes(self._findings(request, zone["id"])),
        }

    def _findings(self, request: HttpRequest, zone_id: int) -> list[dict[str, Any]]:
        answer = answer_of(request, "findings", zone_id=zone_id, order="-severity", page_size=MOST)
        return [{**one, "name": f"{one['limit_title']}, {one['subject']['name']}"} for one in answer["items"]]

    def _ask(self, request: HttpRequest, zone: dict[str, Any]) -> Person | None:
        """The person who could say whether the zone serves life safety; None: it is recorded, or no such
        person is."""
        if zone["life_safety"] != Zone.LifeSafety.UNKNOWN:
            return None
        contacts = answer_of(
            request, "contacts", site_id=zone["site_id"], role=Contact.Role.SITE, order="name", page_size=1
        )
        for one in contacts["items"]:
            return person_of(one, one["role"])
        return None


def _causes(findings: Iterable[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Findings, most severe first; those of one case with the same consequence are together."""
    found: dict[tuple[str, int], list[dict[str, Any]]] = {}
    for one in findings:
        found.setdefault((one["severity"], one["case_id"]), []).append(one)
    return list(found.values())


def _power(run: dict[str, Any]) -> list[tuple[str, list[dict[str, Any]]]]:
    """What drives a run, by what it is called; a kind of run that nothing drives has it without any. An
    output is the sound of a self-amplified run, and drives another as an amplifier does."""
    at_the_block = [{"supply": run["supply"], "at": ""}] if run["supply"] else []
    supplies = [{"thing": one["supply"], "at": one["at"]} for one in (*at_the_block, *run["mid_run"])]
    amplifiers = [{"thing": run["amplifier"], "at": ""}] if run["amplifier"] else []
    is_self_amplified = run["kind"] == Run.Kind.SELF_AMPLIFIED
    found = []
    if supplies or is_self_amplified:
        found.append(("supply", supplies))
    if amplifiers or not (is_self_amplified or run["output"]):
        found.append(("amplifier", amplifiers))
    return found
