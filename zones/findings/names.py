"""Names of the things that findings and attributions are about, and the closets they stand in: one query,
however many things of however many kinds."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from typing import Any, Final

from django.db.models import BigIntegerField, F, FloatField, OuterRef, QuerySet, Subquery, TextField, Value
from django.db.models.functions import Cast, Concat

from sites.models import CableType, DeviceModel
from zones.electrical.subjects import SubjectKind
from zones.limits.names import SUBJECTS
from zones.models import Point, PointFacts, Reading, Zone

from .changes_at_step import Reference
from .locations import CLOSETS

_CLOSET_TEXTS: Final = (
    "name", "building", "room", "directions", "permits", "protective_equipment", "note",
)  # fmt: skip
ROW: Final = "row"
"""A row of a block is named by its number, and is no row of a table."""


@dataclass(frozen=True)
class Thing:
    """name: as people call it. words: what the name is made of. closet_id: where it stands; None: in no
    closet, or not asked. closet_texts: what is written of that closet."""

    name: str
    words: tuple[str, str] = ("", "")
    closet_id: int | None = None
    closet_texts: str = ""
    dangers: str = ""
    ladder_m: float | None = None


def of_subject(kind: int, subject_id: int) -> Reference:
    """The reference by which a subject of a limit is named."""
    return Reference(SubjectKind(kind).name.lower(), subject_id)


def names_of(references: Iterable[Reference]) -> dict[Reference, str]:
    """``supply PS 1``, ``output 2 of GW 1``, ``P12 (gangway)``; of what is not there, kind and id."""
    references = set(references)
    things = things_of(references)
    return {one: things[one].name if one in things else f"{one.kind} {one.id}" for one in references}


def things_of(references: Iterable[Reference]) -> dict[Reference, Thing]:
    """What is recorded of the things; whatever is not there is left out."""
    wanted: dict[str, set[int]] = defaultdict(set)
    for reference in references:
        wanted[reference.kind].add(reference.id)
    found = {Reference(ROW, number): Thing(f"row {number}") for number in wanted.pop(ROW, ())}
    queries = [_KINDS[kind].query(kind, ids) for kind, ids in sorted(wanted.items()) if kind in _KINDS]
    if not queries:
        return found
    rows = queries[0].union(*queries[1:], all=True) if len(queries) > 1 else queries[0]
    for kind, number, first, second, *closet in rows:
        found[Reference(kind, number)] = Thing(_KINDS[kind].say(first, second), (first, second), *closet)
    return found


@dataclass(frozen=True)
class _Kind:
    """How things of a kind are read: up to two words, how they make a name, and the lookup that leads to
    their closet."""

    model: Any
    words: tuple[Any, Any]
    say: Callable[[str, str], str]
    closet: str = ""

    def query(self, kind: str, ids: Collection[int]) -> QuerySet[Any, Any]:
        first, second = (Cast(word or Value(""), TextField()) for word in self.words)
        closet_id: Any = Cast(Value(None), BigIntegerField())
        texts: Any = Value("", TextField())
        dangers: Any = Value("", TextField())
        ladder_m: Any = Cast(Value(None), FloatField())
        if self.closet:
            closet_id = F(self.closet)
            closet = self.closet.removesuffix("_id")
            parts = [part for name in _CLOSET_TEXTS for part in (F(f"{closet}__{name}"), Value("\n"))]
            texts = Concat(*parts, output_field=TextField())
            dangers, ladder_m = F(f"{closet}__dangers"), F(f"{closet}__ladder_m")
        columns = {
            "kind_": Value(kind, TextField()),
            "number_": F("pk"),
            "first_": first,
            "second_": second,
            "closet_": closet_id,
            "texts_": texts,
            "dangers_": dangers,
            "ladder_": ladder_m,
        }
        rows = self.model._default_manager.filter(pk__in=ids).order_by()
        found: QuerySet[Any, Any] = rows.annotate(**columns).values_list(*columns)
        return found


def _kinds() -> dict[str, _Kind]:
    # The last thing recorded of where a point is
    place = PointFacts._default_manager.filter(point=OuterRef("pk")).order_by("-step").values("place")[:1]
    kinds = {
        "zone": _Kind(Zone, ("name", "life_safety"), lambda name, _: f"zone {name}"),
        "point": _Kind(
            Point, ("name", Subquery(place)), lambda name, place: f"{name} ({place})" if place else name
        ),
        "reading": _Kind(Reading, ("taken_on", ""), lambda day, _: f"reading of {day}"),
        "model": _Kind(DeviceModel, ("name", ""), lambda name, _: name),
        "cable": _Kind(CableType, ("name", ""), lambda name, _: name),
    }
    for kind, (model, (first, *more), say) in SUBJECTS.items():
        second = more[0] if more else ""
        closet = CLOSETS[kind][1] if kind in CLOSETS else ""
        kinds[kind.name.lower()] = _Kind(model, (first, second), say, closet)
    return kinds


_KINDS: Final = _kinds()
