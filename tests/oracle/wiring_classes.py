"""Whether a supply or an amplifier is marked for the cable that its runs lie in."""

from __future__ import annotations

from .figures import Figure, Subject
from .record import Record
from .values import Bands

# a marking of Class 2 suits every cable, and a cable of a power wiring method every marking
WRONG = {
    "unmarked": {"communications", "class_2", "class_3"},
    "class_1": {"communications", "class_2", "class_3"},
    "class_3": {"class_2"},
    "class_2": set(),
}


def wiring_class(
    record: Record, subject: Subject, marking: str | None, laid: dict[int, list[int | None]]
) -> list[Figure]:
    """Figure wiring_class: runs that lie, or may lie, in cable that the marking is wrong for.

    laid: by run, the cable types of its segments.
    """
    if not laid:
        return []
    under_nec = record.jurisdiction in (None, "united_states")
    wrong = doubtful = 0
    for cables in laid.values():
        said = [_is_wrong(_listing(record, cable), marking) for cable in cables]
        if not under_nec:
            said = [False if marking == "class_2" else None for _ in said]
        wrong += True in said
        doubtful += any(each is not False for each in said)
    return [Figure(subject, "wiring_class", Bands(float(wrong), float(wrong), float(doubtful)), 0.0)]


def _listing(record: Record, cable: int | None) -> str | None:
    if cable is None:
        return None
    listing: str | None = record.cables[cable]["listing"]
    return "communications" if listing is None and record.cables[cable]["category"] else listing


def _is_wrong(listing: str | None, marking: str | None) -> bool | None:
    """None: the record cannot tell."""
    if marking == "class_2" or listing == "power":
        return False
    if marking is None or listing is None:
        return None
    return listing in WRONG[marking]
