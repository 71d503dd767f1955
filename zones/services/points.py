"""Points: the devices and splices of a run, and the segment of cable to each."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import takewhile
from operator import itemgetter
from typing import Annotated, Any

from sites.changes.errors import refuse, require
from sites.changes.operations import HeldOn, Use, operation
from sites.changes.parameters import Parameter
from sites.changes.selectors import version_reader
from sites.changes.steps import last_step_of
from sites.changes.work import Work, describe
from sites.fields import NumberedWordField, facts_of, length
from sites.models import Basis, Placed, Supply
from sites.rules.equipment import MODELS, model_fits, with_basis
from sites.services.uses import used_by, users_from
from zones.models import Point, PointFacts, Run
from zones.rules.points import DEVICE_KINDS, counts_fit, device_fits, mid_feed_fits, splice_is_bare

from . import shared_lengths
from .ranks import rank_before, rank_below

_TOGETHER = [
    shared_lengths.LENGTH,
    ("tap_power_w", "tap_basis"),
    ("kind", *PointFacts.COUNTS),
    ("model", "device_kind"),
]
_LOAD = facts_of(PointFacts, "run", "rank", "parent", "parent_rank", *PointFacts.SEGMENT, *PointFacts.SHARE)
# A splice carries no load: of what stands at a point it keeps its place, and what feeds the run there
_CARRIED = tuple(name for name in _LOAD if name not in ("kind", "place", "feed_supply"))
_BARE = {
    "kind": PointFacts.Kind.SPLICE,
    **{name: None if PointFacts._meta.get_field(name).null else Basis.UNKNOWN for name in _CARRIED},
}
_FACTS = (*_LOAD, *PointFacts.SEGMENT)
_AFTER = Parameter("after", required=False, nullable=True, model=Point)


@operation(
    "point.append",
    "A device, splice or uncounted group is connected to a run, behind a point or directly at its block.",
    of=(Point, PointFacts),
    takes=_FACTS,
)
def point_append(
    work: Work, /, *, run: Run, after: Point | None = None, name: str | None = None, **given: Any
) -> Point:
    if after is not None:
        _recorded(work, after, run=run, path="/after_id")
        # A point added there meanwhile makes the record another one than this was drawn for
        if work.learning and not work.made(after):
            work.expect("point_children", [after.pk], _children(work.site_id, after.pk))
    point = _add_point(work, run, None, name)
    work.add(_facts(point, after, _fitting(run, given, None)))
    return point


@operation(
    "point.insert",
    "A device or splice is cut into a run, into the segment before a point: mid-run.",
    of=(Point, PointFacts),
    takes=_LOAD,
)
def point_insert(
    work: Work,
    /,
    *,
    before: Point,
    name: str | None = None,
    distance_from_parent_m: Annotated[float | None, length()] = None,
    distance_basis: Annotated[Basis, NumberedWordField(Basis)] = Basis.UNKNOWN,
    **given: Any,
) -> Point:
    """The segment to ``before`` is split. At an unknown distance in likely halves, whose basis is kept, and
    which are known only together; at a known one, the rest of the length stays with ``before``. Cable and
    pairs are those of the segment. A cut negative stays on the side of ``before``, whose section begins
    there."""
    distance = with_basis(
        {"distance_from_parent_m": distance_from_parent_m, "distance_basis": distance_basis},
        "distance_from_parent_m",
        "distance_basis",
    )
    _recorded(work, before, path="/before_id")
    rank = rank_before(work, before)
    # Read after that: the run may have new ranks
    old = _recorded(work, before, path="/before_id")
    shares: dict[int, dict[str, Any]] = {}
    if distance_from_parent_m is None:
        near, far = shared_lengths.halves(old)
    else:
        near = {"length_m": distance_from_parent_m, "length_basis": distance["distance_basis"]}
        if old.length_share is None:
            far = _beyond(old, distance_from_parent_m)
        else:
            others = shared_lengths.shares_of(old)
            rest = shared_lengths.rest(old, distance_from_parent_m, others, "/distance_from_parent_m")
            shares = {row.point_id: share for row, share in rest}
            far = shares.pop(before.pk)
    point = _add_point(work, before.run, rank, name)
    work.add(_facts(point, old.parent, {**_fitting(before.run, given, None), **near, **_cable_of(old)}))
    work.supersede(PointFacts, [before.pk], {**far, "parent": point, "parent_rank": point.rank})
    for other, share in shares.items():
        work.supersede(PointFacts, [other], share)
    return point


@operation(
    "point.alter",
    "A point's model, tap, cable, pairs, place, feed or parent changes.",
    of=(Point, PointFacts),
    takes=("name", _AFTER, *_FACTS),
    use=Use.ANY,
)
def point_alter(work: Work, /, *, point: Point, **given: Any) -> Point:
    facts, state = _altered(work, point, given)
    shares = shared_lengths.follow(work, facts, state) if facts is not None else []
    work.supersede(PointFacts, [point.pk], state)
    for row, share in shares:
        work.supersede(PointFacts, [row.point_id], share)
    return point


@operation("point.remove", "A device is taken off a run; its conductors are spliced through.")
def point_remove(work: Work, /, *, point: Point) -> Point:
    current = _recorded(work, point)
    if current.kind == PointFacts.Kind.SPLICE:
        raise refuse(f"{describe(point)} is a bare splice already.", code="nothing_there", path="/point_id")
    work.supersede(PointFacts, [point.pk], _BARE)
    return point


@operation(
    "point.correct",
    "What is recorded of a point was wrong.",
    of=(Point, PointFacts),
    takes=("name", _AFTER, *_FACTS),
    use=Use.CORRECTION,
)
def point_correct(work: Work, /, *, point: Point, held_on: HeldOn = None, **given: Any) -> Point:
    facts, state = _altered(work, point, given, latest=True)
    step = None if held_on is None else last_step_of(held_on)
    if facts is not None and step is not None:
        facts = PointFacts.objects.filter(point=point, step__lte=step).order_by("-step").first()
    shares = shared_lengths.follow(work, facts, state, step) if facts is not None else []
    together = [*_TOGETHER, ("parent", "parent_rank")]
    rewritten = work.correct(PointFacts, [point.pk], state, held_on=held_on, together=together)
    if facts is not None and rewritten:
        shared_lengths.carry_on(work, facts, rewritten[-1])
    for row, share in shares:
        work.correct(PointFacts, [row.point_id], share, held_on=held_on, together=together)
    return point


@operation(
    "point.found",
    "A device turns out to have been on a run all along: behind a point, or before one (mid-run).",
    of=(Point, PointFacts),
    takes=_FACTS,
    use=Use.CORRECTION,
)
def point_found(
    work: Work,
    /,
    *,
    run: Run,
    after: Point | None = None,
    before: Point | None = None,
    name: str | None = None,
    **given: Any,
) -> Point:
    """Since ``before``, or else ``after``, or else the run itself has been there. Before a point, the segment
    to it is split in likely halves in every row with its present parent."""
    if before is not None:
        return _found_before(work, before, name, given)
    if after is None:
        since = run.begin_step
    else:
        _recorded(work, after, run=run, path="/after_id", latest=True)
        since = PointFacts.objects.filter(point=after).order_by("step").values_list("step", flat=True)[0]
    point = _add_point(work, run, None, name)
    work.add(_facts(point, after, _fitting(run, given, None)), step=since)
    return point


def _found_before(work: Work, before: Point, name: str | None, given: dict[str, Any]) -> Point:
    point = _add_point(work, before.run, rank_before(work, before), name)
    rows = list(PointFacts.objects.filter(point=before).order_by("step").select_related("parent"))
    last = rows[-1]
    # The unbroken stretch of rows with its present parent
    stretch = [*takewhile(lambda row: row.parent_id == last.parent_id, reversed(rows))][::-1]
    said: dict[str, Any] = {}
    for row in stretch:
        near, far = shared_lengths.halves(row)
        segment = {**near, **_cable_of(row)}
        if segment != said:
            said = segment
            facts = _facts(point, last.parent, {**_fitting(before.run, given, None), **segment})
            work.add(facts, step=row.step)
        work.expect(PointFacts, [before.pk, row.step], row.change_set_id)
        PointFacts.objects.filter(point=before, step=row.step).update(
            **far, parent=point, parent_rank=point.rank, change_set_id=work.change_set.pk
        )
    return point


# --- the parts ---


def _recorded(
    work: Work, point: Point, *, run: Run | None = None, path: str = "/point_id", latest: bool = False
) -> PointFacts:
    """The facts that hold, of a point whose run stands; refuses a day before something already recorded.
    ``latest``: the last ones, whenever they hold."""
    if run is not None and point.run_id != run.pk:
        raise refuse(f"{describe(point)} belongs to another run.", code="other_run", path=path)
    if not latest:
        work.require_standing(point.run)
    facts = (work.latest if latest else work.current)(PointFacts, point.pk)
    if facts is None:
        raise refuse(f"Nothing is recorded of {describe(point)}.", code="not_found", path=path)
    return facts


def _add_point(work: Work, run: Run, rank: float | None, name: str | None) -> Point:
    """A point of a run, by default after all others and named by the first number that is free."""
    if rank is None or name is None:
        taken = dict(Point.objects.filter(run=run).order_by().values_list("name", "rank"))
        if rank is None:
            rank = float(int(max(taken.values(), default=0.0)) + 1)
    if name is None:
        name = min({*map(str, range(1, len(taken) + 2))}.difference(taken), key=int)
    return work.add(Point(run=run, rank=rank, name=name))


def _facts(point: Point, parent: Point | None, given: dict[str, Any]) -> PointFacts:
    return PointFacts(
        run_id=point.run_id,
        point=point,
        rank=point.rank,
        parent=parent,
        parent_rank=parent.rank if parent is not None else None,
        **given,
    )


def _cable_of(facts: PointFacts) -> dict[str, Any]:
    """What the cable of a segment is, apart from its length."""
    return {name: getattr(facts, name) for name in PointFacts.CABLE}


def _beyond(old: PointFacts, distance_m: float) -> dict[str, Any]:
    """Length and basis of what is left of a segment beyond a point that is cut in at a known distance."""
    if old.length_m is None:
        return {"length_m": None, "length_basis": Basis.UNKNOWN}
    if distance_m > old.length_m:
        detail = (
            f"The segment is recorded as {old.length_m:g} m long, shorter than {distance_m:g} m. "
            "Correct its length first, or leave the distance out."
        )
        raise refuse(detail, code="invalid", path="/distance_from_parent_m")
    return {"length_m": old.length_m - distance_m, "length_basis": old.length_basis}


def _altered(
    work: Work, point: Point, given: dict[str, Any], *, latest: bool = False
) -> tuple[PointFacts | None, dict[str, Any]]:
    """What held so far (None: nothing of it changes), and the dated facts among ``given`` with what follows
    from them, once the point has its new name and place in the order of the run. ``latest``: as of
    ``_recorded``."""
    if "name" in given:
        work.alter(point, {"name": given.pop("name")})
    if not given:
        return None, {}
    facts = _recorded(work, point, latest=latest)
    if "after" in given:
        after = given.pop("after")
        if after is not None:
            _recorded(work, after, run=point.run, path="/after_id", latest=True)
            rank_below(work, point, after)
        given |= {"parent": after, "parent_rank": after.rank if after is not None else None}
    return facts, _fitting(point.run, given, facts)


def _fitting(run: Run, given: dict[str, Any], current: PointFacts | None) -> dict[str, Any]:
    """``given`` with what follows from it, for a point that is ``current`` so far (None: new)."""
    given = with_basis(given, "length_m", "length_basis")
    given = with_basis(given, "tap_power_w", "tap_basis")
    if given.get("model") is not None:
        given.setdefault("device_kind", DEVICE_KINDS.get(given["model"].kind))
    kind = given.get("kind", current.kind if current is not None else PointFacts.Kind.DEVICE)
    if kind == PointFacts.Kind.SPLICE and (current is None or current.kind != kind):
        given = {**_BARE, **given}
    if kind == PointFacts.Kind.UNCOUNTED_GROUP:
        if (current is None or current.kind != kind) and not any(name in given for name in PointFacts.COUNTS):
            detail = "An uncounted group says how many devices there may be, or null where this is not known."
            raise refuse(detail, code="required", path="/count_likely")
    elif current is not None and current.kind == PointFacts.Kind.UNCOUNTED_GROUP:
        given = {**dict.fromkeys(PointFacts.COUNTS), **given}
    # As the point would be
    after = {
        name: given.get(name, getattr(current, name, None))
        for name in (*PointFacts.LOADS, *PointFacts.COUNTS, "feed_supply")
    }
    model, device_kind = after["model"], after["device_kind"]
    named, model_kind = (model.name, model.kind) if model is not None else ("", None)
    require(
        model_fits(MODELS["point"], named, model_kind),
        device_fits(named, model_kind, device_kind) if device_kind is not None else (),
        counts_fit(kind, itemgetter(*PointFacts.COUNTS)(after)),
        splice_is_bare(kind, **{name: after[name] for name in PointFacts.LOADS}),
        mid_feed_fits(run.kind, fed=after["feed_supply"] is not None),
    )
    return given


def _children(site_id: int | None, point_id: int) -> list[int]:
    """Ids of the change sets that connected something behind a point, one a child."""
    rows = PointFacts.objects.filter(site_id=site_id or 0, parent_id=point_id).order_by("point_id", "-step")
    return sorted(rows.distinct("point_id").values_list("change_set_id", flat=True))


version_reader("point_children", _children)


@used_by(Supply)
def _fed_mid_run(work: Work, supply: Placed) -> Iterable[str]:
    for row in users_from(work, PointFacts, "run", feed_supply_id=supply.pk).select_related("point"):
        yield describe(row.point)
