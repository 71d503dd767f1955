"""The file of what instruments said."""

from __future__ import annotations

from collections.abc import Iterator

from sites.changes.errors import Problem
from zones.models import Reading
from zones.rules.readings import subject_fits

from .kinds import FileKind, Reference, Values, day, number, text, whole, word


def _subject(values: Values) -> Iterator[Problem]:
    given = [name for name in ("run", "point", "switch") if values.get(name) is not None]
    yield from subject_fits(values["kind"], given)


READINGS = FileKind(
    name="readings",
    about="What an instrument said on a day. Readings are never changed: a correction supersedes one.",
    model=Reading,
    key=(),
    references=(
        Reference("run", "runs", ("run",)),
        Reference("point", "points", ("run", "point")),
        Reference("switch", "switches", ("switch",)),
    ),
    change_help="Key of the change that wrote it. Blank: the last change of its day, else the first after "
    "it, else one of its own.",
    check=_subject,
    columns=(
        text(
            "reading",
            "A key of your own, once a site, where another row supersedes this one.",
            limit=80,
            field=None,
            default=None,
        ),
        word("kind", Reading.Kind.values, required=True),
        word("state", Reading.State.values, required=True),
        text("run", limit=80, field=None, default=None),
        text("point", limit=80, field=None, default=None),
        text("switch", limit=80, field=None, default=None),
        whole("power_group", 0, 32_767, "Power-supply group of the switch (RFC 3621)."),
        number("value", "A, V or W, as its kind says.", minimum=0, required=True),
        number("source_voltage_v", "Measured at the block at the same time.", above=0),
        day("taken_on", required=True),
        text(
            "after",
            "Key of the change after which it was taken; blank: after all changes of its day.",
            limit=80,
            field=None,
            default=None,
        ),
        text("technician", limit=120),
        text("instrument", limit=120),
        day("calibrated_on"),
        text("supersedes", "Key of the reading that this one corrects.", limit=80, field=None, default=None),
        text("note"),
    ),
)
