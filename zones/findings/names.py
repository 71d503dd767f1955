"""What people call the things that attributions speak of: one query a kind of thing."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from sites.models import CableType, DeviceModel
from zones.electrical.subjects import SubjectKind
from zones.limits import names
from zones.models import Point, Zone

from .changes_at_step import Reference

_SUBJECTS: Final = {kind.name.lower(): kind for kind in SubjectKind}
_OTHERS: Final[dict[str, tuple[Any, str]]] = {
    "zone": (Zone, "zone {}"),
    "point": (Point, "{}"),
    "model": (DeviceModel, "{}"),
    "cable": (CableType, "{}"),
}


def names_of(references: Iterable[Reference]) -> dict[Reference, str]:
    """``supply PS 1``, ``output 2 of GW 1``, ``zone Gangway``; whatever is not there is left out."""
    wanted: dict[str, set[int]] = {}
    for reference in references:
        wanted.setdefault(reference.kind, set()).add(reference.id)
    subjects = [(int(_SUBJECTS[kind]), pk) for kind, ids in wanted.items() if kind in _SUBJECTS for pk in ids]
    found = {of_subject(kind, pk): name for (kind, pk), name in names.names_of(subjects).items()}
    for kind, (model, say) in _OTHERS.items():
        if kind in wanted:
            rows = model._default_manager.filter(pk__in=wanted[kind]).values_list("pk", "name")
            found |= {Reference(kind, pk): say.format(name) for pk, name in rows}
    return found


def of_subject(kind: int, subject_id: int) -> Reference:
    """The reference by which a subject of a limit is named."""
    return Reference(SubjectKind(kind).name.lower(), subject_id)
