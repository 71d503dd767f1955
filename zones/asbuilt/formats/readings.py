"""The file of what instruments said."""

from __future__ import annotations

from zones.models import Reading

from .kinds import FileKind, Reference, Values, day, number, text, whole, word

_SUBJECT = {
    Reading.Kind.RUN_CURRENT.value: ("run",),
    Reading.Kind.END_VOLTAGE.value: ("run", "point"),
    Reading.Kind.POE_POWER.value: ("switch",),
}


def _subject(values: Values) -> list[tuple[str, str]]:
    wanted = _SUBJECT[values["kind"]]
    found = [(column, f"{values['kind']} needs {column}") for column in wanted if values.get(column) is None]
    found += [
        (column, f"{values['kind']} is taken at {' and '.join(wanted)}: leave {column} blank")
        for column in ("run", "point", "switch")
        if column not in wanted and values.get(column) is not None
    ]
    return found


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
    change_help="Key of the change that wrote it. Blank: the site's last change in changes.csv by then.",
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
