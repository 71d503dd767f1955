"""A contract's page, arranged for paper: nothing is folded, and each part is text."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from api.pages.parts.cases import Group, Line
from api.pages.printed import standing_alone
from api.pages.templatetags.marks import NOT_RECORDED, day, reach
from sites.wording import capital, counted, listed

Shown = Mapping[str, Any]


def report_of(shown: Shown) -> dict[str, Any]:
    """shown: what the page of the contract shows."""
    contract, cases, changes = shown["contract"], shown["counts"]["count"], len(shown["changes"])
    sites = shown["sites"]
    return {
        "reference": contract["reference"],
        "customer": shown["customer"]["name"],
        "as_of": day(shown["today"]),
        "lapse": "" if shown["site_count"] else _lapse(shown),
        "owed": [{"label": label, "value": value} for label, value in _owed(contract)],
        "summary": shown["counts"]["summary"],
        "groups": [_group(one) for one in shown["groups"]],
        "cut": f"{shown['here']} of {counted(cases, 'case')} are shown, most severe first."
        if shown["is_cut"]
        else "",
        "sites": [_site(one) for one in sites],
        "more_sites": f"{len(sites)} of {counted(shown['site_count'], 'site')} are shown."
        if shown["site_count"] > len(sites)
        else "",
        "quarter": day(shown["quarter"]),
        "moved": f"{counted(shown['opened']['count'], 'case')} opened, "
        f"{counted(shown['cleared']['count'], 'case')} cleared.",
        "changes": [_change(one) for one in shown["changes"]],
        "more_changes": f"The latest {counted(changes, 'change')} are shown; more are recorded."
        if shown["more_changes"]
        else "",
        "visits": [_visit(one) for one in shown["visits"]],
        "more_visits": f"The latest {counted(len(shown['visits']), 'visit')} are shown; more are recorded."
        if shown["more_visits"]
        else "",
    }


def _lapse(shown: Shown) -> str:
    said = ["It covers no site today."]
    if shown["last_day"]:
        said.append(f"It covered its last site until {day(shown['last_day'])}.")
    if shown["first_day"]:
        said.append(f"It covers a site from {day(shown['first_day'])} on.")
    return " ".join(said)


def _owed(contract: Shown) -> Iterable[tuple[str, str]]:
    months = contract["test_interval_months"]
    yield "Response", contract["response"]
    if contract["holidays"]:
        yield "Holidays", "; ".join(map(day, contract["holidays"]))
    yield "Test every", NOT_RECORDED if months is None else counted(months, "month")
    opens = "when a limit is past or probably past"
    yield "A case opens", opens if contract["probably_past_opens_cases"] else "only when a limit is past"
    yield "Note", contract["note"] or NOT_RECORDED


def _group(group: Group) -> dict[str, Any]:
    return {"words": capital(group.words), "cases": [_case(line) for line in group.lines]}


def _case(line: Line) -> dict[str, Any]:
    case, finding = line.case, line.finding
    ticket = f" Ticket {case['ticket_reference']}." if case["ticket_reference"] else ""
    return {
        "verdict": case["verdict"],
        "mark": standing_alone(reach(finding)) if finding else "",
        "site": line.site["name"],
        "sentence": finding["sentence"] if finding else case["title"],
        "others": f"{counted(line.others, 'more figure')} of this cause." if line.others else "",
        "change": _sentence(finding["attribution"]["sentence"]) if finding else "",
        "zones": listed([_zone(one) for one in case["zones"]], None),
        "response": f"{case['response']}{ticket}",
    }


def _sentence(said: str) -> str:
    return f"{said}." if said else ""


def _zone(zone: Shown) -> str:
    said = {"unknown": " (life safety not recorded)", "yes": " (life safety)"}
    return f"{zone['name']}{said.get(zone['life_safety'], '')}"


def _site(site: Shown) -> dict[str, Any]:
    found = site["open_findings"]
    return {
        "name": site["name"],
        "city": site["city"] or NOT_RECORDED,
        "verdict": found["verdict"] or "",
        "open": found["count"],
    }


def _change(change: Shown) -> dict[str, str]:
    who = change["done_by"] or change["actor"] or NOT_RECORDED
    job = f", job {change['job_reference']}" if change["job_reference"] else ""
    return {
        "day": day(change["happened_on"]),
        "site": change["site"]["name"],
        "name": change["name"],
        "who": f"{who}{job}",
    }


def _visit(visit: Shown) -> dict[str, str]:
    job = f", job {visit['job_reference']}" if visit["job_reference"] else ""
    return {
        "day": day(visit["visited_on"]),
        "site": f"{visit['site']['name']}, {visit['closet']['name']}",
        "done": visit["done"]["done"],
        "who": f"{visit['technician']}{job}",
    }
