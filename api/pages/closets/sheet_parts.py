"""The parts of a closet sheet in the order in which they are read, the same on the page and on paper."""

from __future__ import annotations

from dataclasses import dataclass

from api.pages.parts.people import Person


@dataclass(frozen=True)
class Fact:
    """on_paper: printed instead of the value, since paper may be left in a van; blank: the value itself."""

    label: str
    value: str
    on_paper: str = ""


@dataclass(frozen=True)
class LifeSafety:
    """caution: the standing text. ask: who could say what is not recorded."""

    answer: str
    sentence: str
    caution: str
    ask: Person | None


@dataclass(frozen=True)
class Hazard:
    why: str
    text: str


@dataclass(frozen=True)
class Figure:
    """mark: the reach, as SVG; blank where none was drawn."""

    code: str
    verdict: str
    sentence: str
    headroom: str
    mark: str


@dataclass(frozen=True)
class Wrong:
    """change: what made it so, as far as the record shows, and change_set_ids by which change sets. state:
    what has been done about it."""

    id: int
    case_id: int
    figure: Figure
    change: str
    change_set_ids: tuple[int, ...]
    state: str
    elsewhere: bool


@dataclass(frozen=True)
class Wire:
    """said: its colour and what it carries. of: what it belongs to."""

    said: str
    of: str


@dataclass(frozen=True)
class Row:
    """Row of a block; equipment, field: what lies on each side."""

    number: int
    clip: str
    equipment: tuple[Wire, ...]
    field: tuple[Wire, ...]
    remark: str


@dataclass(frozen=True)
class Block:
    """free: the rows on which nothing is recorded, in words. strips: the drawing, as SVG. is_whole: whether
    the page shows its rows; else it says in_use, and leads to the page of the block. Paper has them all."""

    id: int
    name: str
    kind: str
    note: str
    rows: tuple[Row, ...]
    free: str
    in_use: str
    strips: tuple[str, ...]
    is_whole: bool


@dataclass(frozen=True)
class Run:
    id: int
    name: str
    zone_id: int | None
    zone: str
    fed_by: str
    isolation: str
    complete: bool
    note: str


@dataclass(frozen=True)
class Thing:
    """A supply, an amplifier, a switch or a networked device. facts: what is
    recorded of it. shown: its figures that are not within their limits, else the tightest; more: how
    many are within besides."""

    kind: str
    id: int
    name: str
    model: str
    facts: tuple[Fact, ...]
    note: str
    shown: tuple[Figure, ...]
    more: int


@dataclass(frozen=True)
class Zone:
    id: int
    name: str
    page_code: str
    life_safety: str
    verdict: str
    summary: str
    tightest: Figure | None


@dataclass(frozen=True)
class Done:
    """A change set that touched something here."""

    id: int
    day: str
    who: str
    job: str
    what: str
    reason: str


@dataclass(frozen=True)
class Visit:
    """done: tests and changes of that day."""

    day: str
    who: str
    job: str
    done: str


@dataclass(frozen=True)
class SheetParts:
    closet_id: int
    closet: str
    site_id: int
    site: str
    customer_id: int
    customer: str
    as_of: str
    life_safety: LifeSafety
    hazards: tuple[Hazard, ...]
    way_in: tuple[Fact, ...]
    way_not_recorded: str
    contract: str
    people: tuple[Person, ...]
    codes: str
    has_codes: bool
    wrong: tuple[Wrong, ...]
    blocks: tuple[Block, ...]
    runs: tuple[Run, ...]
    power: tuple[Thing, ...]
    ports: tuple[Thing, ...]
    zones: tuple[Zone, ...]
    unknown: tuple[str, ...]
    changes: tuple[Done, ...]
    visits: tuple[Visit, ...]
    left_out: tuple[str, ...]
