"""What ``GET /api/v1/closets/{id}/sheet`` answers, arranged as the parts of the sheet. It judges nothing:
each sentence, verdict and figure is the answer's own."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final, TypeAlias

from api.pages.addresses import dialled
from api.pages.drawings.block import block as drawn
from api.pages.parts.people import Person, person_of
from api.pages.templatetags.marks import NOT_RECORDED, beside, day
from sites.models import Contact
from sites.wording import capital, counted, listed, lower_first, plural, within_building
from zones.electrical.verdicts import Verdict
from zones.findings.cases import ASK_FOR_THE_KEY
from zones.limits.amounts import amount
from zones.limits.cautions import Caution

from .block_rows import Row as BlockRow
from .block_rows import free_rows, row_of
from .sheet_parts import (
    Block,
    Done,
    Fact,
    Figure,
    Hazard,
    LifeSafety,
    Row,
    Run,
    SheetParts,
    Thing,
    Visit,
    Wire,
    Wrong,
    Zone,
)

Answer: TypeAlias = Mapping[str, Any]
FigureKey: TypeAlias = tuple[str, str, int]
"""The limit's code, the kind and the id of its subject."""
Marks: TypeAlias = Callable[[FigureKey], str]
"""The drawn reach of a figure; blank where there is none."""

WITHIN: Final = Verdict.WITHIN.name.lower()
MOST_ROWS: Final = 60
"""In use, on all blocks of the page together: each is some 800 bytes of its 100 kB."""


def parts_of(answer: Answer, marks: Marks, length_unit: str) -> SheetParts:
    """answer: of the closet sheet's address. marks: the drawn reach of each figure, where there is one.
    length_unit: in which the site counts."""
    standing = {one["code"]: one["text"] for one in answer["cautions"]}
    people = _people(answer["reach"])
    way_in, missing = _way_in(answer["reach"], length_unit)
    figures = _figures(answer["zones"], marks)
    return SheetParts(
        closet_id=answer["closet"]["id"],
        closet=answer["closet"]["name"],
        site_id=answer["site"]["id"],
        site=answer["site"]["name"],
        customer_id=answer["customer"]["id"],
        customer=answer["customer"]["name"],
        as_of=day(answer["as_of"]),
        life_safety=LifeSafety(
            answer=answer["life_safety"]["answer"],
            sentence=answer["life_safety"]["sentence"],
            caution=standing.get(Caution.LIFE_SAFETY, ""),
            ask=next((one for one in people if one.role == Contact.Role.SITE.label), None),
        ),
        hazards=tuple(
            Hazard(capital(one["why"]), one["text"])
            for one in answer["cautions"]
            if one["code"] != Caution.LIFE_SAFETY
        ),
        way_in=way_in,
        way_not_recorded=missing,
        contract=answer["contract"]["sentence"],
        people=people,
        codes=answer["reach"]["codes"]["sentence"],
        has_codes=any(answer["reach"]["codes"][kind] for kind in ("door", "alarm", "other")),
        wrong=tuple(_wrong(one, marks) for one in answer["findings"]),
        blocks=_blocks(answer["blocks"]),
        runs=tuple(map(_run, answer["runs"])),
        power=(
            *(_supply(one, figures) for one in answer["supplies"]),
            *(_amplifier(one, figures) for one in answer["amplifiers"]),
        ),
        ports=(
            *(_switch(one, figures) for one in answer["switches"]),
            *(_endpoint(one, figures) for one in answer["endpoints"]),
        ),
        zones=tuple(_zone(one, marks) for one in answer["zones"]),
        unknown=tuple(answer["unknown"]),
        changes=tuple(map(_done, answer["changes"])),
        visits=tuple(map(_visit, answer["visits"])),
        left_out=tuple(answer["left_out"]),
    )


# --- the way there ------------------------------------------------------------------------------------------


def _way_in(reach: Answer, length_unit: str) -> tuple[tuple[Fact, ...], str]:
    """What is recorded, and the names of what is not, in a sentence."""
    ladder = ""
    if reach["ladder_m"] is not None:
        ladder = f"work is up to {amount(reach['ladder_m'], 'm', length_unit=length_unit)} high"
    asked = (
        ("Address", reach["address"]),
        ("Place", within_building(reach["building"], reach["floor"], reach["room"])),
        ("Directions", reach["directions"]),
        ("Opened by", reach["opened_by"]),
        ("Hours", reach["opening_hours"]),
        ("Key", reach["key_location"]),
        ("Escort", reach["escort"]),
        ("Induction", "; ".join(reach["induction"])),
        ("Permits", "; ".join(reach["permits"])),
        ("Protective equipment", reach["protective_equipment"]),
        ("Ladder", ladder),
        ("Also in the room", reach["other_tenants"]),
        ("Note", "; ".join(reach["note"])),
    )
    facts = tuple(
        Fact(label, value, ASK_FOR_THE_KEY if label == "Key" else "") for label, value in asked if value
    )
    missing = [
        _MISSING.get(label, lower_first(label)) for label, value in asked if not value and label != "Note"
    ]
    return facts, f"{capital(NOT_RECORDED)}: {listed(missing)}." if missing else ""


_MISSING: Final = {"Also in the room": "who else uses the room"}
"""What is missing, where the label of it does not say so within a sentence."""


def _people(reach: Answer) -> tuple[Person, ...]:
    """By role, then the number that is written of the site rather than of a person."""
    found = [person_of(one, role) for role, contacts in reach["contacts"].items() for one in contacts]
    phone = reach["out_of_hours_phone"]
    if phone and phone not in {one.phone for one in found}:
        found.append(Person("Number to call out of hours", "", phone, dialled(phone), "", "", ""))
    return tuple(found)


# --- what is wrong ------------------------------------------------------------------------------------------


def _figure(one: Answer, marks: Marks) -> Figure:
    return Figure(
        code=one["code"],
        verdict=one["verdict"],
        sentence=one["sentence"],
        headroom=one.get("headroom", ""),
        mark=marks(_key(one)),
    )


def _key(one: Answer) -> FigureKey:
    return one["code"], one["subject"]["kind"], one["subject"]["id"]


def _wrong(finding: Answer, marks: Marks) -> Wrong:
    deferred = finding["deferred_until"]
    return Wrong(
        id=finding["id"],
        case_id=finding["case_id"],
        figure=_figure(finding, marks),
        change=finding["attribution"]["sentence"],
        change_set_ids=tuple(finding["attribution"]["change_set_ids"]),
        state=f"{finding['state']} until {day(deferred)}" if deferred else finding["state"],
        elsewhere=finding["elsewhere"],
    )


# --- blocks -------------------------------------------------------------------------------------------------


def _blocks(blocks: Iterable[Answer]) -> tuple[Block, ...]:
    """Blocks whose rows fit together on the page, and the other blocks without their rows."""
    found, used = [], 0
    for block in blocks:
        used += len(block["rows"])
        found.append(_block(block, is_whole=used <= MOST_ROWS))
    return tuple(found)


def _block(block: Answer, *, is_whole: bool) -> Block:
    count = len(block["rows"])
    return Block(
        id=block["id"],
        name=block["name"],
        kind=block["kind"],
        note=block["note"],
        rows=tuple(_row(row_of(row)) for row in block["rows"]),
        free=free_rows(block),
        in_use=f"{counted(count, 'row')} {plural(count, 'is', 'are')} in use",
        strips=drawn(block),
        is_whole=is_whole,
    )


def _row(row: BlockRow) -> Row:
    equipment, field = (tuple(Wire(one.said, one.of) for one in side) for side in (row.equipment, row.field))
    return Row(row.number, row.clip, equipment, field, row.remark)


def _run(run: Answer) -> Run:
    return Run(
        id=run["id"],
        name=run["name"],
        zone_id=run["zone_id"],
        zone=run["zone"] or NOT_RECORDED,
        fed_by=run["fed_by"] or NOT_RECORDED,
        isolation=run["isolation"]["sentence"],
        complete=run["isolation"]["complete"],
        note=run["note"],
    )


# --- power and ports ----------------------------------------------------------------------------------------

Figures: TypeAlias = Mapping[tuple[str, int], tuple[tuple[Figure, ...], int]]
"""By kind and id of the subject, those that are shown, the tightest first, and how many are not."""


def _figures(zones: Iterable[Answer], marks: Marks) -> Figures:
    """Each once, though many zones depend on it. Within its limits, a thing shows its tightest."""
    once = {_key(one): one for zone in zones for one in zone["loads"]}
    found: dict[tuple[str, int], list[Answer]] = defaultdict(list)
    for (_code, kind, pk), one in once.items():
        found[kind, pk].append(one)
    shown = {
        key: [one for one in every if one["verdict"] != WITHIN] or every[:1] for key, every in found.items()
    }
    return {
        key: (tuple(_figure(one, marks) for one in some), len(found[key]) - len(some))
        for key, some in shown.items()
    }


def _facts(*asked: tuple[str, Any]) -> tuple[Fact, ...]:
    return tuple(Fact(label, str(value)) for label, value in asked if value not in ("", None))


def _must_know(value: str) -> str:
    return value or NOT_RECORDED


def _supply(one: Answer, figures: Figures) -> Thing:
    rated = "" if one["rated_current_a"] is None else f"{one['rated_current_a']:g} A"
    battery = one["battery_installed_on"]
    facts = _facts(
        ("Rated", _must_know(rated)),
        ("Outlet", _must_know(one["outlet"])),
        ("Breaker", _must_know(one["breaker"])),
        ("UPS", one["ups"]),
        ("Battery of", day(battery) if battery else ""),
    )
    return _thing("supply", one, facts, figures)


def _amplifier(one: Answer, figures: Figures) -> Thing:
    rated = "" if one["rated_power_w"] is None else f"{one['rated_power_w']:g} W"
    facts = _facts(
        ("Rated", _must_know(rated)),
        ("Drives", one["line"]),
        ("Outlet", _must_know(one["outlet"])),
        ("Breaker", _must_know(one["breaker"])),
    )
    return _thing("amplifier", one, facts, figures)


def _switch(one: Answer, figures: Figures) -> Thing:
    ports = ", ".join(f"{port['number']} {port['endpoint']}" for port in one["ports"])
    facts = _facts(
        ("Whose", _must_know(one["owner"])),
        ("Serial", one["serial"]),
        ("Supplies fitted", _must_know("" if one["power_supplies"] is None else one["power_supplies"])),
        ("Ports with our devices", ports or "none"),
    )
    return _thing("switch", one, facts, figures)


def _endpoint(one: Answer, figures: Figures) -> Thing:
    warranty = one["warranty_end"]
    facts = _facts(
        ("Address", _must_know(one["address"])),
        ("VLAN", one["vlan"]),
        ("Page code", one["page_code"]),
        ("MAC", one["mac"]),
        ("Serial", one["serial"]),
        ("Firmware", one["firmware"]),
        ("Powered by", _must_know(one["powered_by"])),
        ("Outputs", len(one["outputs"])),
        ("Configuration kept", one["configuration_backup"]),
        ("Warranty ends", day(warranty) if warranty else ""),
    )
    return _thing("endpoint", one, facts, figures, word=one["kind"])


def _thing(kind: str, one: Answer, facts: tuple[Fact, ...], figures: Figures, word: str = "") -> Thing:
    shown, more = figures.get((kind, one["id"]), ((), 0))
    return Thing(
        kind=kind,
        id=one["id"],
        name=one["name"],
        model=one["model"] or f"{word or kind}, model {NOT_RECORDED}",
        facts=facts,
        note=one["note"],
        shown=shown,
        more=more,
    )


# --- zones, changes -----------------------------------------------------------------------------------------


def _zone(zone: Answer, marks: Marks) -> Zone:
    return Zone(
        id=zone["id"],
        name=zone["name"],
        page_code=zone["page_code"],
        life_safety=zone["life_safety"],
        verdict=zone["verdict"],
        summary=beside(zone["summary"], zone["verdict"]),
        tightest=None if zone["tightest"] is None else _figure(zone["tightest"], marks),
    )


def _done(change: Answer) -> Done:
    return Done(
        id=change["id"],
        day=day(change["happened_on"]),
        who=change["done_by"] or change["actor"],
        job=change["job_reference"],
        what=listed(change["what"]),
        reason=change["reason"],
    )


def _visit(visit: Answer) -> Visit:
    return Visit(day(visit["visited_on"]), visit["technician"], visit["job_reference"], visit["done"])
