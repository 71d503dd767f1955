"""Tests of runs in words, as every page of them shows them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any, TypeAlias

from sites.wording import capital, lower_first
from zones.limits.amounts import amount
from zones.loads.outcomes import Verdict
from zones.models import Test

Answer: TypeAlias = Mapping[str, Any]


def in_words(one: Answer, by_name: Mapping[int, str] = MappingProxyType({})) -> dict[str, Any]:
    """A test as a page shows it. by_name: the points of the run."""
    stated = [Test.State(one["state"]).label] if one["state"] else []
    if one["signal"]:
        stated.append(Test.Signal(one["signal"]).label)
    if one["taken_as"]:
        stated.append(Test.TakenAs(one["taken_as"]).label)
    said = "Passed" if one["passed"] else "Failed"
    if one["unit"]:
        said = in_its_digits(one, one["value"])
    return {
        **one,
        "what": capital(Test.Kind(one["kind"]).label),
        "said": said,
        "how": ", ".join(stated),
        "at": by_name.get(one["point_id"] or 0, ""),
        "judged": _judged(one),
    }


def in_lines(tests: Sequence[Answer]) -> list[Answer]:
    """Tests as a list has them: those that one person passed on one day, with nothing more said of them, are
    one line."""
    lines: list[dict[str, Any]] = []
    for one in tests:
        last = lines[-1] if lines else None
        if last is not None and _passed_alike(last, one):
            last["what"] += f", {lower_first(one['what'])}"
        else:
            lines.append({**one})
    return list(lines)


def _passed_alike(one: Answer, other: Answer) -> bool:
    plain = all(
        each["passed"] and not (each["how"] or each["at"] or each["instrument"] or each["note"])
        for each in (one, other)
    )
    return plain and all(one[name] == other[name] for name in ("taken_on", "technician"))


def _judged(one: Answer) -> str:
    """``as expected: 1.14 A to 1.26 A``; blank where the value says by itself that it passed or failed."""
    if one["unit"] is None or one["verdict"] is None:
        return ""
    word = Verdict(one["verdict"]).label
    if one["expected"] is None:
        return word
    low, high = (in_its_digits(one, one["expected"][end]) for end in ("low", "high"))
    by = f" by {in_its_digits(one, one['outside_by'])}" if one["outside_by"] else ""
    return f"{word}{by}: {low} to {high}, give or take {in_its_digits(one, one['error'])}"


def in_its_digits(one: Answer, value: float) -> str:
    """A value of a test, in as many digits as its reading deserves: under 1 A, milliamperes."""
    is_small = one["unit"] == "A" and abs(one["value"]) < 1
    return amount(value, one["unit"], decimals=3 if is_small else None)
