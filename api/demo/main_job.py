"""The main job, played over real HTTP as a program outside would: a zone is found in order, speakers are
added a few at a time, and the service says which of those changes pushed which limit past.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from .client import Client
from .processes import DemoError

SPEAKERS_A_VISIT = 4
VISITS_AT_MOST = 30
FINDING_WITHIN_S = 60.0
IN_ORDER = {"within", "near"}

Say = Callable[[str], object]


@dataclass(frozen=True)
class Zone:
    """A zone that is in order, one of its runs, and the last speaker on it."""

    zone: dict[str, Any]
    run: dict[str, Any]
    last: dict[str, Any]
    load: dict[str, Any]


def play(client: Client, *, say: Say) -> None:
    """Add speakers until a limit is past, wait for the finding, read what it says, put things back.

    Raises DemoError, naming the step, where anything is not as it should be.
    """
    found = _zone_in_order(client)
    zone_id = found.zone["id"]
    tightest = found.load["tightest"]
    say(f"1. Zone {found.zone['name']} ({found.zone['site']['name']}) is in order.")
    what = f"{tightest['title']} of {tightest['subject']['name']}"
    say(f"   {what}: {_figure(tightest)}, limit {_limit(tightest)}.")

    added: list[dict[str, Any]] = []
    crossed: dict[str, Any] | None = None
    for visit in range(1, VISITS_AT_MOST + 1):
        change = _add_speakers(client, found, added, visit)
        past = _past(client.get(f"/zones/{zone_id}/load"))
        where = f"run {found.run['name']}"
        say(f"{visit + 1}. Change set {change['id']}: {SPEAKERS_A_VISIT} speakers added to {where}.")
        if past:
            crossed = past[0]
            break
    if crossed is None:
        raise DemoError(f"{VISITS_AT_MOST * SPEAKERS_A_VISIT} more speakers pushed no limit past.")
    say(f"   Now {crossed['title'].lower()} of {crossed['subject']['name']} is past: {crossed['sentence']}")

    finding = _await_finding(client, found, crossed)
    attribution = finding["attribution"]
    _require(
        change["id"] in attribution["change_set_ids"], f"the finding names {attribution}, not {change['id']}"
    )
    _require(finding["verdict"] == crossed["verdict"], f"the finding says {finding['verdict']}")
    history = client.get(f"/zones/{zone_id}/history", code=crossed["code"])
    line = next(one for one in history["items"] if one["subject"] == crossed["subject"])
    say("The finding:")
    say(f"   zone                {found.zone['name']}, {found.zone['site']['name']}")
    say(f"   limit               {crossed['title']}: {_limit(crossed)} ({crossed['source']})")
    say(f"   at commissioning    {_number(line['baseline']['likely'])} {crossed['unit']}")
    say(f"   now                 {_figure(crossed)}")
    say(f"   verdict             {crossed['verdict'].replace('_', ' ')}")
    say(f"   the change          {attribution['sentence']}")

    _take_off(client, found, added)
    _await_cleared(client, finding)
    say("The speakers are off again, and the finding is cleared. All of it held.")


def _zone_in_order(client: Client) -> Zone:
    for zone in client.items("/zones", expand="site"):
        runs = [
            run
            for run in client.items("/runs", zone_id=zone["id"])
            if run["kind"] == "self_amplified"
            and run["supply_id"] is not None
            and run["output_id"] is not None
        ]
        if not runs:
            continue
        load = client.get(f"/zones/{zone['id']}/load")
        if load["tightest"] is None or any(one["verdict"] not in IN_ORDER for one in load["items"]):
            continue
        points = client.items("/points", run_id=runs[0]["id"], order="rank")
        speakers = [point for point in points if point["kind"] == "device" and point["model_id"] is not None]
        if speakers:
            return Zone(zone, runs[0], speakers[-1], load)
    raise DemoError("No zone of the demo is in order: remove the data folder and start again.")


def _add_speakers(client: Client, found: Zone, added: list[dict[str, Any]], visit: int) -> dict[str, Any]:
    """One visit: a draft of several speakers at the end of the run, accepted."""
    like = {name: found.last[name] for name in ("model_id", "cable_type_id", "dc_pairs", "current_basis")}
    operations = []
    for number in range(SPEAKERS_A_VISIT):
        after: Any = added[-1]["id"] if added else found.last["id"]
        operations.append(
            {
                "op": "point.append",
                "label": f"speaker-{number}",
                "run": found.run["id"],
                "after": f"@speaker-{number - 1}" if number else after,
                "model": like["model_id"],
                "cable_type": like["cable_type_id"],
                "dc_pairs": like["dc_pairs"],
                "current_basis": like["current_basis"],
                "length_m": 6.0,
                "length_basis": "marked",
                "place": "demonstration",
            }
        )
    draft = client.post(
        "/change-sets",
        {
            "site_id": found.zone["site_id"],
            "reason": "More speakers, so that everyone hears",
            "job_reference": f"DEMO-{visit}",
            "operations": operations,
        },
    )
    accepted = client.send(
        "POST", f"/change-sets/{draft.body['id']}/accept", {}, {"If-Match": draft.headers["ETag"]}
    ).body
    before = {point["id"] for point in added}
    points = client.items("/points", run_id=found.run["id"], order="rank")
    known = {found.last["id"], *before}
    added += [
        p for p in points if p["rank"] > (added[-1] if added else found.last)["rank"] and p["id"] not in known
    ]
    result: dict[str, Any] = accepted
    return result


def _past(load: dict[str, Any]) -> list[dict[str, Any]]:
    return [one for one in load["items"] if one["verdict"] in {"over", "probably_over"}]


def _await_finding(client: Client, found: Zone, crossed: dict[str, Any]) -> dict[str, Any]:
    deadline = time.monotonic() + FINDING_WITHIN_S
    while time.monotonic() < deadline:
        for finding in client.items("/findings", site_id=found.zone["site_id"]):
            if finding["code"] == crossed["code"] and finding["subject"]["id"] == crossed["subject"]["id"]:
                result: dict[str, Any] = finding
                return result
        time.sleep(0.2)
    raise DemoError(
        f"No finding of {crossed['title'].lower()} within {FINDING_WITHIN_S:.0f} s of the change."
    )


def _await_cleared(client: Client, finding: dict[str, Any]) -> None:
    deadline = time.monotonic() + FINDING_WITHIN_S
    while time.monotonic() < deadline:
        if client.get(f"/findings/{finding['id']}")["state"] == "cleared":
            return
        time.sleep(0.2)
    raise DemoError(f"The finding was not cleared within {FINDING_WITHIN_S:.0f} s of the repair.")


def _take_off(client: Client, found: Zone, added: list[dict[str, Any]]) -> None:
    draft = client.post(
        "/change-sets",
        {
            "site_id": found.zone["site_id"],
            "reason": "Demonstration over: the added speakers come off",
            "job_reference": "DEMO-END",
            "operations": [{"op": "point.remove", "point": point["id"]} for point in reversed(added)],
        },
    )
    client.send("POST", f"/change-sets/{draft.body['id']}/accept", {}, {"If-Match": draft.headers["ETag"]})


def _require(held: bool, otherwise: str) -> None:
    if not held:
        raise DemoError(f"The main job did not hold: {otherwise}.")


def _number(value: float | None) -> str:
    return "not known" if value is None else f"{value:.2f}"


def _figure(load: dict[str, Any]) -> str:
    return f"{_number(load['likely'])} {load['unit']} ({_number(load['low'])} to {_number(load['high'])})"


def _limit(load: dict[str, Any]) -> str:
    return f"{_number(load['limit'])} {load['unit']}"
