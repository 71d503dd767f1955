"""The files of visits, and of what was measured or tried."""

from __future__ import annotations

from collections.abc import Iterator

from sites.changes.errors import Problem
from sites.fields import LineField
from zones.asbuilt.cells import Text
from zones.models import Test, Visit
from zones.rules.tests import problems_of_test

from .catalogue import INSTRUMENTS
from .kinds import KEY, Column, OfField, Reference, Values, file_kind
from .wiring import POINTS

_WRITTEN_BY = (
    "Key of the change that wrote it. Blank: the last change of its day, else the first after it, else one "
    "of its own."
)

VISITS = file_kind(
    "visits",
    "Who was at which closet on which day, for which job.",
    model=Visit,
    key=("visited_on", "technician", "closet"),
    change_help=_WRITTEN_BY,
)


def _test(values: Values) -> Iterator[Problem]:
    yield from problems_of_test(values["kind"], values)


TESTS = file_kind(
    "tests",
    "What was measured on a day, or tried whether it passes. Tests are never changed: a correction "
    "supersedes one.",
    Column("test", KEY, "A key of your own, once a site, where another row supersedes this one."),
    Column(
        "unit",
        Text(LineField(max_length=8)),
        "Of the value, to be checked; blank: that of its kind.",
        exported=False,
    ),
    Reference("point", POINTS.name, ("run", "point")),
    OfField("power_group", help="Power-supply group of the switch (RFC 3621)."),
    OfField("value", help="A, V, W, Ω or dB, as its kind says. Blank: it passes or fails."),
    OfField("source_voltage_v", help="Measured at the block at the same time."),
    OfField(
        "instrument_error",
        help="What the instrument states, as a fraction of the value; of a level, in dB. Blank: 0.05 of a "
        "current, 0.1 of one during speech, 0.01 of a voltage (common practice).",
    ),
    OfField("temperature_c", help="Of the cable at the time. Blank: from 20 °C to the design temperature."),
    OfField(
        "instrument_record",
        help=f"Name in {INSTRUMENTS.file}; blank: not among the recorded instruments.",
    ),
    Reference(
        "visit",
        VISITS.name,
        ("taken_on", "visit_technician", "visit_closet"),
        help=("", "Technician of the visit that it belongs to.", "Closet of that visit; blank: none."),
    ),
    OfField(
        "step",
        "after",
        "Key of the change after which it was taken; blank: after all changes of its day, or as found before "
        "them.",
        KEY,
        more={"attribute": None, "required": False},
    ),
    OfField("supersedes", help="Key of the test that this one corrects.", cell=KEY, more={"attribute": None}),
    model=Test,
    key=(),
    former={"readings": {"reading": "test"}},
    change_help=_WRITTEN_BY,
    check=_test,
)
