"""Values at the edge of what a field takes, by its kind: texts at their limit and of odd characters, numbers
at their bounds, days at both ends of the range. What a field would refuse is not among them."""

from __future__ import annotations

import ipaddress
import math
from typing import Any

from django.core.exceptions import ValidationError
from hypothesis import strategies as st

from sites import fields
from sites.changes.operations import Operation
from sites.fields import Fact

# What a spreadsheet, a CSV file, a list in a cell, or a person could trip over
ODD = (
    *("=SUM(A1)", "+1", "-1", "@x", "'", "''", "'=x", "?", "??", "~12", '"', '""', 'a "quoted" b', ",", ";"),
    *("a,b;c", "|", "||", "a | b", "\\", "\\|", "a\\", "\\\\|", "=", "a=b", "problem", "yes", "no", "1e5"),
    *("0", "007", "1.50", "NULL", "None", "nan", "\u0338x", "\u0301a", "e\u0301", "ﬁ", "İ", "ß", "Ω", "µ"),
    *("日本", "\U0001f50a", "a\u00a0b", "\u3000x\u3000", " x ", "x  y", "-", "–", "½", "\u0f71\u0f72"),
)
MORE_LINES = ("two\nlines", "a\r\nb", "\n\nx\n", "tab\there", "a\n=b", 'a\n"b', "x\n\n\ny", ",\n;")


def values_of(fact: Fact) -> st.SearchStrategy[Any]:
    """JSON of values that ``fact`` takes, those at its edges often."""
    made: st.SearchStrategy[Any] = next(of for kind, of in _OF_KIND if isinstance(fact, kind))(fact)
    return made


def values_for(operation: Operation[Any, Any], *but: str) -> st.SearchStrategy[dict[str, Any]]:
    """JSON of all facts that an operation takes, but for some of them."""
    found = {
        one.key: values_of(one.fact) if not one.nullable else st.none() | values_of(one.fact)
        for one in operation.parameters.values()
        if one.fact is not None and one.key not in but
    }
    return st.fixed_dictionaries({}, optional=found)


def taken(fact: Fact, value: Any) -> bool:
    try:
        fact.parse(value)
    except ValidationError:
        return False
    return True


def _texts(fact: Any) -> st.SearchStrategy[str]:
    most = fact.max_length
    odd = [*ODD, *(MORE_LINES if isinstance(fact, fields.NoteField) else ())]
    # What Python knows of Unicode, the database may know otherwise, or not yet
    letters = st.characters(exclude_categories=("Cn", "Cs", "Co"), max_codepoint=0x1FFFF)
    text = st.sampled_from(odd) | st.text(letters, min_size=1, max_size=20)
    long = st.builds(lambda one, end: (one * most)[: most - len(end)] + end, text, st.sampled_from(odd))
    return (text | long).filter(lambda one: taken(fact, one))


def _numbers(fact: Any) -> st.SearchStrategy[float]:
    low = math.nextafter(fact.above, math.inf) if fact.above is not None else float(fact.minimum)
    edges = [low, float(fact.maximum), math.nextafter(fact.maximum, 0), 0.1, 1 / 3, 1e-9]
    inside = st.floats(low, fact.maximum, allow_nan=False)
    return st.sampled_from([one for one in edges if taken(fact, one)]) | inside


def _addresses(_: Any) -> st.SearchStrategy[str]:
    odd = ["::1", "::", "::ffff:10.1.0.5", "2001:db8::5", "0.0.0.0", "255.255.255.255", "::10.1.0.5"]
    anywhere = st.integers(0, 2**128 - 1).map(lambda one: str(ipaddress.IPv6Address(one)))
    return st.sampled_from(odd) | anywhere


_OF_KIND: list[tuple[type[Fact], Any]] = [
    (
        fields.ListField,
        lambda fact: (
            st.lists(values_of(fact.base_field), max_size=4)
            | values_of(fact.base_field).map(lambda one: [one] * fact.max_items)
        ),
    ),
    (fields.FlagField, lambda _: st.booleans()),
    (fields.WordField, lambda fact: st.sampled_from(list(fact.words))),
    (fields.NumberedWordField, lambda fact: st.sampled_from(list(fact.words))),
    (fields.QuantityField, _numbers),
    (fields.WholeField, lambda fact: st.integers(fact.minimum, fact.maximum)),
    (
        fields.DayField,
        lambda _: (
            st.sampled_from([fields.FIRST_DAY, fields.LAST_DAY]) | st.dates(fields.FIRST_DAY, fields.LAST_DAY)
        ).map(str),
    ),
    (fields.MacField, lambda _: st.sampled_from(["", "00:1b:44:11:3a:b7", "FF-FF-FF-FF-FF-FF"])),
    (
        fields.CodeField,
        lambda fact: st.from_regex(r"[-a-zA-Z0-9_]+", fullmatch=True).map(lambda one: one[: fact.max_length]),
    ),
    (
        fields.TimeZoneField,
        lambda _: st.sampled_from(["UTC", "Etc/GMT+12", "America/Port-au-Prince", "Pacific/Kiritimati"]),
    ),
    (
        fields.EmailField,
        lambda _: st.sampled_from(["", "+a@example.org", "-b@example.org", "=c@example.org"]),
    ),
    (fields.AddressField, _addresses),
    (fields.TimeOfDayField, lambda _: st.sampled_from(["", "00:00", "08:30", "24:00"])),
    (fields.LineField, _texts),
    (fields.NoteField, _texts),
]
