"""The main job over HTTP: add speakers to a zone visit by visit, until a figure is past its limit, and check
that the finding and the event name the visit that did it.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sites.wording import counted
from zones.electrical.bands import DeviceKind
from zones.findings.wording import DEVICES
from zones.models import PointFacts

from .client import Client
from .processes import DemoError
from .receiver import Receiver

# The second visit puts even the low estimate past the limit, so that the finding names one visit
SPEAKERS_BY_VISIT = (2, 16, 32)
FINDING_WITHIN_S = 60.0
STAYS_WITHIN = {"within", "near"}
PAST = {"past", "probably_past"}
SUPPLY = "supply_current"

Say = Callable[[str], object]


@dataclass(frozen=True)
class Zone:
    """A zone that stays within its limits, one of its runs, and the last speaker on that run."""

    zone: dict[str, Any]
    run: dict[str, Any]
    last: dict[str, Any]
    load: dict[str, Any]

    @property
    def noun(self) -> str:
        """What stands on the run and is added to it, as the service calls it in sentences: ``horn``."""
        return DEVICES[DeviceKind[self.last["device_kind"].upper()]]


def check_main_job(client: Client, receiver: Receiver, *, say: Say) -> None:
    """Add speakers until a figure is past its limit, check the finding, what the feed lists and what is
    pushed, and remove the speakers.

    Raises DemoError, naming the step, where a result is wrong.
    """
    subscription = client.post("/subscriptions", {"name": "demonstration", "url": receiver.url}).body
    receiver.secret = subscription["secret"]
    try:
        _check(client, receiver, say=say)
    finally:
        address = f"/subscriptions/{subscription['id']}"
        with contextlib.suppress(DemoError):  # what went wrong before says more
            client.send("DELETE", address, headers={"If-Match": client.send("GET", address).headers["ETag"]})


def _check(client: Client, receiver: Receiver, *, say: Say) -> None:
    found = _zone_within_limits(client)
    zone_id = found.zone["id"]
    where = f"{found.zone['name']}, {found.zone['site']['name']}"
    measured = [one for one in found.load["items"] if one["unit"] and one["headroom_likely"] is not None]
    tightest = min(measured, key=lambda one: one["headroom_likely"])
    say(f"1. Zone {where}: stays within its limits.")
    say(f"   {tightest['title']} of {tightest['subject']['name']}: {_figure(tightest)}, {_limit(tightest)}.")

    cursor = client.get("/events", start="now")["next"]
    added: list[int] = []
    visits: list[int] = []
    crossed: dict[str, Any] | None = None
    for count in SPEAKERS_BY_VISIT:
        accepted = _add_speakers(client, found, added, count, visit=len(visits) + 1)
        visits.append(accepted["id"])
        added += [made for result in accepted["results"] for made in result["ids"]]
        load = client.get(f"/zones/{zone_id}/load")
        past = [one for one in load["items"] if one["verdict"] in PAST]
        say(
            f"{len(visits) + 1}. Change set {visits[-1]} (job {accepted['job_reference']}): "
            f"{counted(count, found.noun)} added to run {found.run['name']}. {_now(load, past)}"
        )
        if past:
            crossed = past[0]
            break
    if crossed is None:
        raise DemoError(f"No figure is past its limit after {len(added)} more {found.noun}s.")

    finding = _await_finding(client, found, crossed)
    attribution = finding["attribution"]
    _require(
        attribution["change_set_ids"] == [visits[-1]],
        f"change set {visits[-1]} crossed the limit, the finding names {attribution['change_set_ids']}",
    )
    history = client.get(f"/zones/{zone_id}/history", code=crossed["code"])
    line = next(one for one in history["items"] if one["subject"] == crossed["subject"])
    _require(line["baseline"] is not None, "the history has no figure at commissioning")
    _require(
        line["crossings"][-1]["change_set_id"] == visits[-1],
        f"change set {visits[-1]} crossed the limit, the history has {line['crossings']}",
    )
    say("The finding:")
    say(f"   zone                {where}")
    say(f"   limit               {crossed['title']} of {crossed['subject']['name']}: {_limit(crossed)}")
    say(f"   at commissioning    {_figure(line['baseline'], crossed['unit'])}, on {line['baseline']['day']}")
    say(f"   now                 {_figure(finding)}")
    say(f"   verdict             {finding['verdict'].replace('_', ' ')}: {finding['sentence']}")
    say(f"   the change          change set {visits[-1]}: {attribution['sentence']}.")

    told, cursor = _await_event(client, cursor, finding["id"], verdict=finding["verdict"])
    (in_event,) = (one for one in told["data"]["findings"] if one["id"] == finding["id"])
    _require(
        in_event["attribution"]["change_set_ids"] == [visits[-1]],
        f"change set {visits[-1]} crossed the limit, the event names {in_event['attribution']}",
    )
    say("The event, as a ticketing system reads it from the feed:")
    say(f"   kind                {told['type']}, number {int(told['sequence'])} of {told['subject']}")
    say(f"   ticket for          {told['casekey']}: {told['data']['case']['title']}")
    say(f"   respond by          {told['data']['case']['respond_by'] or 'not agreed'}")

    pushed = _await_push(receiver, told)
    say("The same event, as it was pushed to a receiver on this machine:")
    say(f"   signature           holds, under the secret of the subscription; webhook-id {told['id']}")
    say(f"   content             {pushed['specversion']} of CloudEvents, the same as in the feed")

    removals = [{"op": "point.remove", "point_id": point_id} for point_id in reversed(added)]
    _accepted(client, found, f"Remove the demonstration's {found.noun}s", "DEMO-END", removals)
    _await(
        lambda: client.get(f"/findings/{finding['id']}")["state"] == "cleared", "the finding is not cleared"
    )
    told, _ = _await_event(client, cursor, finding["id"], verdict=None)
    _await_push(receiver, told)
    say(f"Then, in the feed and pushed: {told['type']}, number {int(told['sequence'])} of {told['subject']}.")
    say(f"The {found.noun}s are removed and the finding is cleared. Every step is as expected.")


def _zone_within_limits(client: Client) -> Zone:
    """The zone within its limits with the largest share of measured or marked values: one visit decides."""
    candidates: list[tuple[float, Zone]] = []
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
        known = [one["share_measured_or_marked"] for one in load["items"] if one["code"] == SUPPLY]
        if not known or load["verdict"] not in STAYS_WITHIN:
            continue
        points = client.items("/points", run_id=runs[0]["id"], order="rank")
        speakers = [point for point in points if point["kind"] == "device" and point["model_id"] is not None]
        if speakers:
            candidates.append((known[0] or 0.0, Zone(zone, runs[0], speakers[-1], load)))
    if not candidates:
        raise DemoError(
            "No zone of the demo stays within its limits. Remove the data folder and start again."
        )
    return max(candidates, key=lambda one: one[0])[1]


def _add_speakers(client: Client, found: Zone, added: list[int], count: int, *, visit: int) -> dict[str, Any]:
    """The change set of one visit: several speakers at the end of the run, drafted and accepted."""
    operations = [
        {
            "op": "point.append",
            "label": f"speaker-{number}",
            "run_id": found.run["id"],
            "after_id": f"@speaker-{number - 1}" if number else (added[-1] if added else found.last["id"]),
            "model_id": found.last["model_id"],
            **{name: found.last[name] for name in PointFacts.CABLE},
            "current_basis": found.last["current_basis"],
            "length_m": 4.0,
            "length_basis": "measured",
            "place": "demonstration",
        }
        for number in range(count)
    ]
    return _accepted(client, found, f"Add {found.noun}s to improve coverage", f"DEMO-{visit}", operations)


def _accepted(
    client: Client, found: Zone, reason: str, job_reference: str, operations: list[dict[str, Any]]
) -> dict[str, Any]:
    """An accepted change set with its results."""
    draft = client.post(
        "/change-sets",
        {
            "site_id": found.zone["site_id"],
            "reason": reason,
            "job_reference": job_reference,
            "operations": operations,
        },
    )
    accepted: dict[str, Any] = client.send(
        "POST", f"/change-sets/{draft.body['id']}/accept", {}, {"If-Match": draft.headers["ETag"]}
    ).body
    _require(accepted["state"] == "accepted", f"change set {accepted['id']} is {accepted['state']}")
    return accepted


def _now(load: dict[str, Any], past: list[dict[str, Any]]) -> str:
    if past:
        return f"Now {past[0]['title'].lower()} of {past[0]['subject']['name']} is past its limit."
    if load["verdict"] in STAYS_WITHIN:
        return "The zone still stays within its limits."
    return "The service cannot tell whether the zone stays within its limits."


def _await_finding(client: Client, found: Zone, crossed: dict[str, Any]) -> dict[str, Any]:
    def look() -> Any:
        for finding in client.items("/findings", site_id=found.zone["site_id"]):
            same = all(finding["subject"][name] == crossed["subject"][name] for name in ("kind", "id"))
            if finding["code"] == crossed["code"] and same:
                return client.get(f"/findings/{finding['id']}")
        return None

    finding: dict[str, Any] = _await(look, f"no finding of {crossed['title'].lower()}")
    return finding


def _await_event(
    client: Client, cursor: str, finding_id: int, *, verdict: str | None
) -> tuple[dict[str, Any], str]:
    """The event of a finding, and the cursor behind it. verdict: None: that it is cleared."""

    def look() -> Any:
        nonlocal cursor
        page = client.get("/events", after=cursor, wait=5, page_size=1)
        cursor = page["next"]
        for event in page["items"]:
            for one in event["data"].get("findings", ()):
                if one["id"] == finding_id and (
                    one["cleared_at"] is not None if verdict is None else one["verdict"] == verdict
                ):
                    return event, cursor
        return None

    found: tuple[dict[str, Any], str] = _await(look, f"there is no event of finding {finding_id}")
    return found


def _await_push(receiver: Receiver, told: dict[str, Any]) -> dict[str, Any]:
    """The push of an event that the feed told."""
    pushed: dict[str, Any] = _await(
        lambda: receiver.taken.get(told["id"]),
        f"no push of event {told['id']} was taken, and {receiver.refused} were not signed right",
    )
    _require(pushed == told, f"event {told['id']} was pushed otherwise than the feed has it")
    return pushed


def _await(look: Callable[[], Any], otherwise: str) -> Any:
    """The first true result of ``look``."""
    deadline = time.monotonic() + FINDING_WITHIN_S
    while time.monotonic() < deadline:
        if found := look():
            return found
        time.sleep(0.2)
    raise DemoError(f"The main job failed: {otherwise} after {FINDING_WITHIN_S:.0f} s.")


def _require(held: bool, otherwise: str) -> None:
    if not held:
        raise DemoError(f"The main job failed: {otherwise}.")


def _number(value: float | None) -> str:
    return "not recorded" if value is None else f"{value:.2f}"


def _figure(one: dict[str, Any], unit: str = "") -> str:
    unit = unit or one["unit"]
    low, high = sorted((one["low"], one["high"])) if None not in (one["low"], one["high"]) else (None, None)
    return f"{_number(one['likely'])} {unit} ({_number(low)} to {_number(high)})"


def _limit(one: dict[str, Any]) -> str:
    word = "at least" if one["limit_is"] == "at_least" else "at most"
    return f"{word} {_number(one['limit'])} {one['unit']}"
