"""Reader of run descriptions: checks one and reports every problem at once."""

from __future__ import annotations

import difflib
import math
import sys
from collections.abc import Mapping
from dataclasses import dataclass

from zones.electrical.bad_input import Location, Problems, shown
from zones.electrical.conductors import AWG_THICKEST, AWG_THINNEST, COLDEST_C, FOOT_M, HOTTEST_C
from zones.electrical.json_text import ObjectWithRepeatedKeys

MOST_POINTS = 100_000
_LARGEST = sys.float_info.max
LONGEST_ID = 200
_MOST_IDS_TO_GUESS_AMONG = 1_000


@dataclass(frozen=True)
class Quantity:
    """A number of a description: its range, and the words for that range."""

    lowest: float
    highest: float
    expected: str
    highest_excluded: bool = False
    whole: bool = False

    def admits(self, number: float) -> bool:
        below = number < self.highest if self.highest_excluded else number <= self.highest
        return self.lowest <= number and below and (not self.whole or number == math.floor(number))


SOURCE = {
    "voltage_v": Quantity(1e-6, 1e6, "volts above 0, from 1e-6 to 1e6"),
    "tolerance": Quantity(0, 1, "a fraction from 0 to below 1, such as 0.05", highest_excluded=True),
    "internal_resistance_ohm": Quantity(0, 1e9, "ohms from 0 to 1e9"),
}
LOAD = {
    "current_a": Quantity(0, 1e6, "amperes from 0 to 1e6"),
    "power_w": Quantity(0, 1e9, "watts from 0 to 1e9"),
    "resistance_ohm": Quantity(1e-9, 1e12, "ohms above 0, from 1e-9 to 1e12"),
}
POINT = {
    "length_m": Quantity(0, 1e6, "metres from 0 to 1e6"),
    "awg": Quantity(AWG_THICKEST, AWG_THINNEST, "a whole gauge number from 0 to 40, such as 24", whole=True),
    "parallel_pairs": Quantity(1, 100, "a whole number of pairs from 1 to 100", whole=True),
    "loop_resistance_ohm": Quantity(0, 1e9, "ohms from 0 to 1e9"),
}
TEMPERATURE_C = Quantity(COLDEST_C, HOTTEST_C, f"degrees Celsius from {COLDEST_C:g} to {HOTTEST_C:g}")

_KEYS = {
    "the document": ("source", "temperature_c", "points"),
    "source": tuple(SOURCE),
    "a point": ("id", "parent", *POINT, "load"),
    "load": tuple(LOAD),
}


@dataclass(frozen=True)
class DescribedPoint:
    """A point. parent: index of its parent, -1 at the source; values: its segment."""

    id: str
    parent: int
    values: Mapping[str, float]
    load: Mapping[str, float]


@dataclass(frozen=True)
class _Object:
    """A JSON object whose keys have been checked."""

    location: Location
    content: Mapping[str, object]
    meant: frozenset[str]
    """Keys that are probably there but misspelt: they are not reported as missing, too."""

    def has(self, key: str) -> bool:
        return key in self.content or key in self.meant


class Reading:
    """Reads a document once, and collects what is wrong in `problems`."""

    def __init__(self, problems: Problems) -> None:
        self.problems = problems

    def document(self, value: object) -> tuple[Mapping[str, float], float, list[DescribedPoint]]:
        """The values of the source, the temperature [°C] and the points."""
        whole = self.keyed((), value, "the document", "an object with source and points")
        if whole is None:
            return {}, 20.0, []
        source: Mapping[str, float] = {}
        if self.required(whole, "source", "an object with voltage_v"):
            inner = self.keyed(("source",), whole.content["source"], "source", "an object with voltage_v")
            if inner is not None:
                source = self.numbers(inner, SOURCE)
                self.required(inner, "voltage_v", SOURCE["voltage_v"].expected)
        temperature = self.numbers(whole, {"temperature_c": TEMPERATURE_C}).get("temperature_c", 20.0)
        points: list[DescribedPoint] = []
        if self.required(whole, "points", "a list of points"):
            points = self.points(whole.content["points"])
        return source, temperature, points

    def unexpected(self, location: Location, code: str, value: object, expected: str) -> None:
        self.problems.add(location, code, f"is {shown(value)}: expected {expected}")

    def points(self, value: object) -> list[DescribedPoint]:
        if not isinstance(value, list):
            self.unexpected(("points",), "wrong_type", value, "a list of points")
            return []
        if not 1 <= len(value) <= MOST_POINTS:
            self.problems.add(
                ("points",), "wrong_number", f"holds {len(value)} points: expected 1 to {MOST_POINTS}"
            )
            return []
        inners = [
            self.keyed(("points", number), point, "a point", "an object with id, parent and a length")
            for number, point in enumerate(value)
        ]
        ids = [self.id(inner) for inner in inners]
        number_of: dict[str, int] = {}
        for number, point_id in enumerate(ids):
            if point_id is not None and number_of.setdefault(point_id, number) != number:
                self.problems.add(
                    ("points", number, "id"),
                    "repeated_id",
                    f"{shown(point_id)} is the id of points[{number_of[point_id]}] too: "
                    "expected a different id for each point",
                )
        parents = [self.parent(inner, number_of) for inner in inners]
        self.cycles(parents, ids)
        return [
            DescribedPoint(point_id or "", parent, *self.segment_and_load(inner))
            for inner, point_id, parent in zip(inners, ids, parents, strict=True)
        ]

    def id(self, point: _Object | None) -> str | None:
        expected = f'1 to {LONGEST_ID} printable characters, such as "p1"'
        if point is None or not self.required(point, "id", expected):
            return None
        value = point.content["id"]
        if isinstance(value, str) and 1 <= len(value) <= LONGEST_ID and value.isprintable():
            return value
        self.unexpected((*point.location, "id"), "bad_id", value, expected)
        return None

    def parent(self, point: _Object | None, number_of: Mapping[str, int]) -> int:
        expected = "the id of another point, or null where the segment starts at the source"
        if point is None or not self.required(point, "parent", expected):
            return -1
        value = point.content["parent"]
        if value is None:
            return -1
        location = (*point.location, "parent")
        if not isinstance(value, str):
            self.unexpected(location, "wrong_type", value, expected)
            return -1
        if value not in number_of:
            few = len(number_of) <= _MOST_IDS_TO_GUESS_AMONG
            near = difflib.get_close_matches(value, number_of, 1) if few else []
            hint = f" (did you mean {shown(near[0])}?)" if near else ""
            self.problems.add(
                location, "unknown_parent", f"no point has the id {shown(value)}{hint}: expected {expected}"
            )
            return -1
        return number_of[value]

    def cycles(self, parents: list[int], ids: list[str | None]) -> None:
        """Report every cycle of parents."""
        walk_of = [-1] * len(parents)
        for start in range(len(parents)):
            point = start
            while point >= 0 and walk_of[point] < 0:
                walk_of[point] = start
                point = parents[point]
            if point < 0 or walk_of[point] != start:
                continue
            cycle = [point]
            while parents[cycle[-1]] != point:
                cycle.append(parents[cycle[-1]])
            names = [shown(ids[member]) for member in [*cycle, point]]
            if len(names) > 10:
                names = [*names[:8], "...", names[-1]]
            self.problems.add(
                ("points", point, "parent"),
                "cycle",
                f"closes a cycle of {len(cycle)}: {' -> '.join(names)}: expected a way back to the source",
            )

    def segment_and_load(self, point: _Object | None) -> tuple[Mapping[str, float], Mapping[str, float]]:
        if point is None:
            return {}, {}
        values = self.numbers(point, POINT)
        stated = point.has("loop_resistance_ohm")
        of_cable = [key for key in ("length_m", "awg") if point.has(key)]
        if stated and (of_cable or values.get("parallel_pairs", 1.0) != 1.0):
            self.problems.add(
                point.location,
                "one_or_the_other",
                f"loop_resistance_ohm is taken as is, but {(*of_cable, 'parallel_pairs')[0]} is given too: "
                "expected one or the other",
            )
        elif not stated and not of_cable:
            self.problems.add(
                point.location,
                "missing",
                "its segment has no resistance: expected length_m and awg, or loop_resistance_ohm",
            )
        elif not stated:
            for key in ("length_m", "awg"):
                self.required(point, key, POINT[key].expected)
        load: Mapping[str, float] = {}
        if "load" in point.content:
            expected = 'an object such as {"current_a": 0.05}; a splice has no load at all'
            inner = self.keyed((*point.location, "load"), point.content["load"], "load", expected)
            load = {} if inner is None else self.numbers(inner, LOAD)
        return values, load

    def keyed(self, location: Location, value: object, kind: str, expected: str) -> _Object | None:
        if not isinstance(value, dict):
            self.unexpected(location, "wrong_type", value, expected)
            return None
        if isinstance(value, ObjectWithRepeatedKeys):
            for key in value.repeated:
                self.problems.add((*location, key), "repeated_key", "occurs more than once: expected once")
        meant = set()
        for key in value:
            if key not in _KEYS[kind]:
                guess, detail = _guess(key, kind)
                meant.add(guess)
                self.problems.add((*location, key), "unknown_key", detail)
        return _Object(location, value, frozenset(meant))

    def required(self, inner: _Object, key: str, expected: str) -> bool:
        if not inner.has(key):
            self.problems.add((*inner.location, key), "missing", f"missing: expected {expected}")
        return key in inner.content

    def numbers(self, inner: _Object, quantities: Mapping[str, Quantity]) -> dict[str, float]:
        found = {
            key: self.number((*inner.location, key), inner.content[key], quantity)
            for key, quantity in quantities.items()
            if key in inner.content
        }
        return {key: number for key, number in found.items() if number is not None}

    def number(self, location: Location, value: object, quantity: Quantity) -> float | None:
        if isinstance(value, bool) or not isinstance(value, int | float):
            code = "wrong_type"
        elif isinstance(value, int) and abs(value) > _LARGEST:  # no float: an integer of hundreds of digits
            code = "out_of_range"
        elif not math.isfinite(value):
            code = "not_finite"
        elif not quantity.admits(value):
            code = "out_of_range"
        else:
            return float(value)
        found = "too large a number" if code == "not_finite" and value == math.inf else shown(value)
        kind = "a number, " if code == "wrong_type" else ""
        self.problems.add(location, code, f"is {found}: expected {kind}{quantity.expected}")
        return None


def _guess(key: str, kind: str) -> tuple[str, str]:
    """The key that was probably meant (empty: none), and the detail of the problem."""
    known = _KEYS[kind]
    without_unit = [name for name in known if name.rpartition("_")[0] == key]
    if without_unit:
        return without_unit[0], f"unknown key, and no unit: did you mean {without_unit[0]}?"
    near = difflib.get_close_matches(key, known, 1)
    if near:
        hint = f" (1 ft is {FOOT_M} m)" if near[0] == "length_m" else ""
        return near[0], f"unknown key: did you mean {near[0]}{hint}?"
    for other, names in _KEYS.items():
        if key in names:
            return "", f"does not belong here but in {other}"
    return "", f"unknown key: expected {', '.join(known)}"
