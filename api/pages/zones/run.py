"""A run: what feeds it, and what is where along its cable, with the voltage that is left."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from django.http import HttpRequest

from api.conventions import fields
from api.conventions.sizes import MOST_LISTED
from api.pages.addresses import page_of
from api.pages.answers import answer_of
from api.pages.drawings.tree import group, length, tree
from api.pages.drawings.voltage import voltage
from api.pages.page import OnQuery, Page
from api.pages.parts.facts import Fact
from api.pages.parts.figures import listed
from api.pages.parts.life_safety import life_safety
from api.pages.parts.long_lists import parts_of
from sites.access.abilities import Ability
from sites.changes.making import today_in
from sites.wording import capital, counted
from zones.electrical.estimates import Estimate, Estimates
from zones.electrical.verdicts import Verdict
from zones.limits.amounts import amount
from zones.limits.registry import limit_by_code
from zones.loads.wording import VERDICT_WORDS
from zones.models import Run

from .run_trends import MOST_READ, trends_of
from .tests_in_words import in_lines, in_words

MOST_TESTS: Final = 50
"""That are listed; the trends are of more."""
MOST_POINTS: Final = 100
"""On one page; what `points_from` counts in."""
JUDGED_BY: Final = "run_voltage"
NO_NUMBER: Final = "not known"
LONGEST_BESIDE: Final = 20
"""Characters of how a current is known that still stand beside it."""
_EXPANDED: Final = "site,zone,block,output,endpoint,supply,amplifier"

Answer = Mapping[str, Any]


class RunQuery(OnQuery):
    points_from = fields.Whole(
        required=False,
        default=1,
        min_value=1,
        max_value=MOST_LISTED,
        help_text="The first point that is shown.",
    )


class RunPage(Page):
    template_name = "pages/run.html"
    query = RunQuery
    shows = Run

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        address = f"runs/{kwargs['id']}"
        run = answer_of(request, address, as_of=self.on, expand=_EXPANDED)
        load = answer_of(request, f"{address}/load", as_of=self.on)
        profile = answer_of(request, f"{address}/profile", as_of=self.on)
        proof = answer_of(request, f"{address}/proof", as_of=self.on)
        tests = answer_of(request, "tests", run_id=run["id"], taken_until=self.on, page_size=MOST_READ)
        trends = answer_of(request, f"{address}/trends", as_of=self.on)["trends"]
        name, block = f"run {run['name']}", f"block {run['block']['name']}"
        judged = next((one for one in load["items"] if one["code"] == JUDGED_BY), None)
        by_name = {one["id"]: one["name"] for one in profile["points"]}
        read = [in_words(one, by_name) for one in tests["items"]]
        first = min(self.asked["points_from"], max(len(by_name), 1))
        shown = profile["points"][first - 1 : first - 1 + MOST_POINTS]
        return {
            "run": run,
            "way": [("site", run["site"]), ("block", run["block"])],
            "kind": Run.Kind(run["kind"]).label,
            "facts": self._facts(run, profile),
            "load": load,
            "figures": listed(load["items"], self.on),
            **life_safety(load["zones"]),
            "profile": profile,
            "more_points": sum(one["count"] for one in profile["left_out"] if one["pointer"] == "/points"),
            "parts": parts_of(len(by_name), MOST_POINTS, first),
            "tree": tree({**profile, "points": shown}, name, block, by_name) if shown else "",
            "voltage": _voltage(profile, name, judged) if profile["has_voltages"] else "",
            "judged_id": judged["place"]["id"] if judged and judged["place"] else None,
            **_table(profile, shown),
            "isolation": answer_of(request, f"{address}/isolation", as_of=self.on),
            "proof": proof,
            "to_test": [one for one in proof["tests"] if one["verdict"] != "passed"],
            "tests": in_lines(read[:MOST_TESTS]),
            "more_tests": tests["next"] is not None or len(read) > MOST_TESTS,
            **trends_of(read, trends, list(by_name), self.on or today_in(run["site"]["time_zone"])),
            "read_since": read[-1]["taken_on"] if tests["next"] else None,
            "may_test": self.on is None and self.principal.may(Ability.WRITE_TESTS),
        }

    def _facts(self, run: Answer, profile: Answer) -> list[Fact]:
        """What feeds the run, each leading to its page."""

        def fact(label: str, kind: str, thing: Answer | None) -> Fact:
            if thing is None:
                return Fact(label, "")
            return Fact(label, thing["name"], page_of(kind, thing["id"], self.on))

        facts = [fact("Zone", "zone", run["zone"]), fact("Block", "block", run["block"])]
        self_amplified = run["kind"] == Run.Kind.SELF_AMPLIFIED
        if run["output"] or self_amplified:
            facts.append(self._output(run["output"], run["endpoint"]))
        if run["supply"] or self_amplified:
            facts.append(fact("Supply at the block", "supply", run["supply"]))
        for one in profile["points"]:
            if one["feed_supply"]:
                supply = {"id": one["feed_supply_id"], "name": one["feed_supply"].removeprefix("supply ")}
                facts.append(fact(f"Supply at {one['name']}", "supply", supply))
        if run["amplifier"] or not (self_amplified or run["output"]):
            facts.append(fact("Amplifier", "amplifier", run["amplifier"]))
        if self_amplified:
            facts.append(Fact("Fuse", _fuse(run)))
        return facts

    def _output(self, output: Answer | None, endpoint: Answer | None) -> Fact:
        if output is None or endpoint is None:
            return Fact("Output", "")
        said = f"{output['number']} of {endpoint['name']}"
        return Fact("Output", said, page_of("endpoint", endpoint["id"], self.on))


def _fuse(run: Answer) -> str:
    if run["fuse_fitted"] is None:
        return "not recorded whether one is fitted"
    if not run["fuse_fitted"]:
        return "none fitted"
    if run["fuse_rating_a"] is None:
        return "fitted, rating not recorded"
    return amount(run["fuse_rating_a"], "A")


def _voltage(profile: Answer, name: str, judged: Answer | None) -> str:
    if judged is None:
        return voltage(profile, name, "", "")
    word = capital(VERDICT_WORDS[Verdict[judged["verdict"].upper()]])
    place = judged["place"]
    return voltage(profile, name, word, judged["sentence"], place["id"] if place else None)


def _table(profile: Answer, points: Sequence[Answer]) -> dict[str, Any]:
    """The points as rows, and what many of them have in common, by number. A row names its cable, and the
    point before it, where these are not those of the row above."""
    by_id = {one["id"]: one for one in profile["points"]}
    notes: dict[str, int] = {}
    rows = []
    for above, point in zip([None, *points], points, strict=False):
        before = by_id.get(point["after_id"])
        rows.append(_Row(point, before, above, profile["length_unit"], notes))
    return {"points": rows, "notes": notes}


class _Row:
    """A point in words, for the tables below the drawings. before: the point before it, None the block;
    above: the one in the row above. notes: numbers of what is said below the table, added to."""

    def __init__(
        self, point: Answer, before: Answer | None, above: Answer | None, unit: str, notes: dict[str, int]
    ) -> None:
        self.point = point
        self._before, self._above, self._unit = before, above, unit
        known = point["current_known"]
        self.note = notes.setdefault(known, len(notes) + 1) if len(known) > LONGEST_BESIDE else None

    @property
    def device(self) -> str:
        point = self.point
        if point["kind"] == "splice":
            return "splice"
        what = point["model"] or f"{point['device']}, model not recorded"
        return f"{group(point)} × {what}" if point["kind"] == "uncounted_group" else what

    @property
    def segment(self) -> str:
        """``1 m, measured, CAT 24 AWG, 2 pairs``."""
        point, before = self.point, self._before
        said = [length(point, self._unit), point["length_known"]]
        if before is None or any(before[name] != point[name] for name in ("cable", "pairs")):
            pairs = point["pairs"]
            said.append(point["cable"] or "cable not recorded")
            said.append("pairs not recorded" if pairs is None else counted(pairs, "pair"))
        if point["negative_cut"]:
            said.append("negative cut")
        if before is not self._above:
            said.append(f"from {before['name'] if before else 'the block'}")
        return ", ".join(said)

    @property
    def distance(self) -> str:
        """``30 m (29.4 m to 30.6 m)``."""
        of = self.point["distance_m"]
        if of is None:
            return "not recorded"
        low, likely, high = (
            amount(of[word], "m", length_unit=self._unit) for word in ("low", "likely", "high")
        )
        return likely if low == high else f"{likely} ({low} to {high})"

    @property
    def draws(self) -> str:
        """What it draws while its zone is paged, or its tap, with how that is known."""
        point = self.point
        if point["tap_power_w"] is not None:
            return f"{_band('amplifier_load', point['tap_power_w'])}, {point['tap_basis']}"
        if point["current_a"] is None:
            return "nothing" if point["kind"] == "splice" else ""
        low, likely, high = (
            NO_NUMBER if value is None else amount(value, "A", decimals=3)
            for value in point["current_a"].values()
        )
        known = "" if self.note else f", {point['current_known']}"
        if point["current_a"]["likely"] is None:
            return f"{NO_NUMBER}{known}"
        return f"{likely} ({low} to {high}){known}"

    @property
    def volts(self) -> str:
        """The voltage there; with why, where an estimate has none."""
        point = self.point
        if all(value is None for value in point["voltage_v"].values()):
            return str(point["no_voltage"])
        said = _band(JUDGED_BY, point["voltage_v"], point["overloaded"])
        return f"{said}. {point['no_voltage']}" if point["no_voltage"] else said

    @property
    def needs(self) -> str:
        point = self.point
        if point["minimum_voltage_v"] is not None:
            return amount(point["minimum_voltage_v"], "V")
        return "" if point["kind"] == "splice" else "not recorded"


def _band(code: str, of: Answer, overloaded: Any = ()) -> str:
    """A value as sentences of that limit show it."""
    return limit_by_code(code).band_text(
        Estimates(*(Estimate(of[word], None, overloaded=word in overloaded) for word in Estimates._fields))
    )
