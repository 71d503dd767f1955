"""Segments that were cut at a distance not recorded: their shares of the whole, and what becomes of them when
one of them is measured or rerouted."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, TypeAlias

from sites.changes.errors import refuse
from sites.changes.work import Work
from sites.models import Basis
from zones.models import PointFacts

Length: TypeAlias = dict[str, Any]
"""Length and basis of a segment, and the whole that it is a share of."""
Place = PointFacts.SharePlace
OWN: Length = dict.fromkeys(PointFacts.SHARE)
"""A segment whose length is its own."""
LENGTH = ("length_m", "length_basis", *PointFacts.SHARE)
"""The columns of a ``Length``: one value."""


def halves(old: PointFacts) -> tuple[Length, Length]:
    """What a segment becomes that is cut somewhere: to the new point, and on from it."""
    half = {
        "length_m": None if old.length_m is None else old.length_m / 2,
        "length_basis": old.length_basis,
        "length_share": (old.length_share or 1.0) / 2,
    }
    cut: dict[int | None, tuple[Place, Place]] = {
        None: (Place.FIRST, Place.LAST),
        Place.FIRST: (Place.FIRST, Place.MIDDLE),
        Place.MIDDLE: (Place.MIDDLE, Place.MIDDLE),
        Place.LAST: (Place.MIDDLE, Place.LAST),
        Place.ALONE: (Place.ALONE, Place.MIDDLE),
    }
    near, far = cut[old.length_share_place]
    return {**half, "length_share_place": near}, {**half, "length_share_place": far}


def shares_of(facts: PointFacts, step: int | None = None) -> list[PointFacts]:
    """The facts of all points whose segments share a whole with that of ``facts``, from the block on; of the
    last rows, or of those that hold at ``step``."""
    rows = PointFacts.objects.filter(site_id=facts.site_id, run_id=facts.run_id).select_related("point")
    if step is not None:
        rows = rows.filter(step__lte=step)
    latest = {row.point_id: row for row in rows.order_by("point_id", "-step").distinct("point_id")}
    in_order = sorted(latest.values(), key=lambda row: row.rank)
    whole_of: dict[int, int] = {}
    for row in in_order:
        # a point whose own length is known since may stand between the shares
        above = whole_of.get(row.parent_id) if row.parent_id is not None else None
        begins = row.length_share_place in (Place.FIRST, Place.ALONE)
        whole = row.point_id if begins else above
        if whole is not None:
            whole_of[row.point_id] = whole
    mine = whole_of.get(facts.point_id)
    return [
        row for row in in_order if row.length_share is not None and whole_of.get(row.point_id, -1) == mine
    ]


def follow(
    work: Work, facts: PointFacts, given: dict[str, Any], step: int | None = None
) -> list[tuple[PointFacts, Length]]:
    """What follows for the other shares of a whole where one of them (``facts``) gets another length or
    parent. ``given`` is completed. A correction of its length leaves them the rest; after anything else, they
    may be any part of the whole."""
    moved = "parent" in given and (given["parent"] and given["parent"].pk) != facts.parent_id
    if facts.length_share is None or not (moved or "length_m" in given):
        return []
    if not (moved or work.is_correction) and given["length_m"] == facts.length_m:
        return []
    others = shares_of(facts, step)
    whole = all(row.length_share_place != Place.ALONE for row in others)
    others = [row for row in others if row.point_id != facts.point_id]
    known_m = given.get("length_m")
    given |= OWN if "length_m" in given else {"length_share_place": Place.ALONE}
    if work.is_correction and whole and not moved and known_m is not None:
        return list(rest(facts, known_m, others))
    return list(left_over(others))


def carry_on(work: Work, before: PointFacts, corrected: PointFacts) -> None:
    """Carry a corrected length on to the shares of the segment, where it was cut later."""
    if before.length_share is not None or _length(before) == _length(corrected):
        return
    rows = PointFacts.objects.filter(site_id=before.site_id, point_id=before.point_id)
    cut = rows.filter(step__gt=corrected.step, length_share__isnull=False).order_by("step").first()
    if cut is None:
        return
    points = [row.point_id for row in shares_of(rows.order_by("-step")[0])]
    for row in PointFacts.objects.filter(
        site_id=cut.site_id, point_id__in=points, step__gte=cut.step, length_share__isnull=False
    ).order_by("step"):
        whole_m = None if row.length_m is None else row.length_m / row.length_share
        if (whole_m, row.length_basis) == _length(before):
            new_m = None if corrected.length_m is None else corrected.length_m * row.length_share
            work.expect(PointFacts, [row.point_id, row.step], row.change_set_id)
            PointFacts.objects.filter(point_id=row.point_id, step=row.step).update(
                length_m=new_m, length_basis=corrected.length_basis, change_set_id=work.change_set.pk
            )


def _length(facts: PointFacts) -> tuple[float | None, int]:
    return facts.length_m, facts.length_basis


def rest(
    part: PointFacts, known_m: float, others: Sequence[PointFacts], path: str = "/length_m"
) -> Iterator[tuple[PointFacts, Length]]:
    """What the other shares become once ``known_m`` of the whole are known to lie outside them: they add
    up to the rest, in proportion. Refuses more than the whole."""
    whole_m = None if part.length_m is None else part.length_m / part.length_share
    if whole_m is not None and known_m > whole_m:
        named = others[-1].point.name if others else part.point.name
        detail = (
            f"The segment that was cut is recorded as {whole_m:g} m long, shorter than {known_m:g} m. "
            f"Correct the length to point {named} first."
        )
        raise refuse(detail, code="invalid", path=path)
    places = _places(others)
    # what is left of a whole stays as likely a part of it
    all_shares = 1.0 if Place.ALONE in places else sum(row.length_share for row in others)
    for row, place in zip(others, places, strict=True):
        share = row.length_share / all_shares
        length = {**OWN, "length_m": None, "length_basis": Basis.UNKNOWN}
        if whole_m is not None:
            length |= {"length_m": (whole_m - known_m) * share, "length_basis": row.length_basis}
        if place is not None:
            length |= {"length_share": share, "length_share_place": place}
        yield row, length


def left_over(others: Iterable[PointFacts]) -> Iterator[tuple[PointFacts, Length]]:
    """What the other shares become once one of the whole is another cable: any part of it may be theirs."""
    for number, row in enumerate(others):
        yield row, {"length_share_place": Place.MIDDLE if number else Place.ALONE}


def _places(rows: Sequence[PointFacts]) -> list[PointFacts.SharePlace | None]:
    if len(rows) == 1:
        return [Place.ALONE if rows[0].length_share_place == Place.ALONE else None]
    return [Place.FIRST, *[Place.MIDDLE] * (len(rows) - 2), Place.LAST] if rows else []
