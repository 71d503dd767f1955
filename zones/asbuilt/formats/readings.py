"""The file of what instruments showed."""

from __future__ import annotations

from collections.abc import Iterator

from sites.changes.errors import Problem
from zones.models import Reading
from zones.rules.readings import signal_fits, subject_fits

from .kinds import KEY, Column, OfField, Reference, Values, file_kind
from .wiring import POINTS


def _subject(values: Values) -> Iterator[Problem]:
    given = [name for name in ("run", "point", "switch") if values.get(name) is not None]
    yield from subject_fits(values["kind"], given)
    yield from signal_fits(values["state"], values.get("signal", Reading.Signal.SPEECH))


READINGS = file_kind(
    "readings",
    "What an instrument showed on a day. Readings are never changed: a correction supersedes one.",
    Column("reading", KEY, "A key of your own, once a site, where another row supersedes this one."),
    Reference("point", POINTS.name, ("run", "point")),
    OfField("power_group", help="Power-supply group of the switch (RFC 3621)."),
    OfField("value", help="A, V or W, as its kind says."),
    OfField("source_voltage_v", help="Measured at the block at the same time."),
    OfField(
        "instrument_error",
        help="What the instrument states, as a fraction of the value. Blank: 0.05 of a current, 0.1 of one "
        "during speech, 0.01 of a voltage (common practice).",
    ),
    OfField("temperature_c", help="Of the cable at the time. Blank: from 20 °C to the design temperature."),
    OfField(
        "step",
        "after",
        "Key of the change after which it was taken; blank: after all changes of its day.",
        KEY,
        more={"attribute": None, "required": False},
    ),
    OfField(
        "supersedes", help="Key of the reading that this one corrects.", cell=KEY, more={"attribute": None}
    ),
    model=Reading,
    key=(),
    change_help="Key of the change that wrote it. Blank: the last change of its day, else the first after "
    "it, else one of its own.",
    check=_subject,
)
