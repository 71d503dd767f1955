"""Runs: what feeds them, and which zone hears them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sites.changes.errors import require
from sites.changes.operations import HeldOn, Use, operation
from sites.changes.work import Work, but, describe, only
from sites.fields import facts_of
from sites.models import Amplifier, Block, Output, Placed, Supply
from sites.services.uses import standing_at, used_by, users_from
from sites.services.usual import Usual
from zones.models import Landing, Run, RunFacts
from zones.rules.runs import feeds_fit, fuse_fits

_RUN = facts_of(RunFacts)
_TOGETHER = [("fuse_fitted", "fuse_rating_a")]
_FEEDS = ("output", "supply", "amplifier")


@operation(
    "run.add",
    "A run is pulled from a block.",
    of=(Run, RunFacts),
    takes=(*facts_of(Run, "block", "name", "kind"), *_RUN),
)
def run_add(work: Work, /, *, block: Block, name: str, kind: Run.Kind, **given: Any) -> Run:
    state = _fitting_state(kind, only(given, _RUN))
    run = work.add(Run(block=block, name=name, kind=kind, **but(given, _RUN)))
    work.add(RunFacts(run=run, **state))
    return run


@operation(
    "run.alter",
    "A run is patched to another zone, output, supply or amplifier, its fuse changes, or it is described "
    "otherwise.",
    of=(Run, RunFacts),
    takes=(*facts_of(Run, "block", "kind"), *_RUN),
    use=Use.ANY,
)
def run_alter(work: Work, /, *, run: Run, **given: Any) -> Run:
    work.alter(run, but(given, _RUN))
    work.supersede(RunFacts, [run.pk], _fitting_state(run.kind, only(given, _RUN)))
    return run


@operation(
    "run.correct",
    "What is recorded of a run was wrong.",
    of=(Run, RunFacts),
    takes=("kind", *_RUN),
    use=Use.CORRECTION,
)
def run_correct(work: Work, /, *, run: Run, held_on: HeldOn = None, **given: Any) -> Run:
    kind = given.get("kind", Run.Kind(run.kind))
    altered = work.alter(run, only(given, ["kind"]))
    state = _fitting_state(kind, only(given, _RUN))
    work.correct(RunFacts, [run.pk], state, held_on=held_on, together=_TOGETHER)
    for row in RunFacts.objects.filter(run=run) if altered else ():
        require(feeds_fit(kind, [feed for feed in _FEEDS if getattr(row, f"{feed}_id") is not None]))
    return run


run_end = Usual(Run, RunFacts).ends("A run is taken out of use: its conductors are off every block.")


def _fitting_state(kind: str, state: dict[str, Any]) -> dict[str, Any]:
    """``state`` where a run is fed only by what feeds its kind, and a fuse that is not fitted has no
    rating."""
    if state.get("fuse_rating_a") is not None:
        state.setdefault("fuse_fitted", True)
    require(
        feeds_fit(kind, [feed for feed in _FEEDS if state.get(feed) is not None]),
        fuse_fits(state.get("fuse_fitted"), state.get("fuse_rating_a")),
    )
    if "fuse_fitted" in state and state["fuse_fitted"] is not True:
        state["fuse_rating_a"] = None
    return state


@used_by(Run)
def _landed(work: Work, run: Placed) -> Iterable[str]:
    for landing in standing_at(work, Landing, run=run).select_related("block").order_by("row"):
        yield f"row {landing.row} of {describe(landing.block)} (landing {landing.pk})"


@used_by(Block)
def _from_block(work: Work, block: Placed) -> Iterable[str]:
    for run in standing_at(work, Run, block=block):
        yield describe(run)
    for landing in standing_at(work, Landing, block=block).order_by("row"):
        yield f"the conductor on row {landing.row} (landing {landing.pk})"


@used_by(Output, Supply, Amplifier)
def _fed(work: Work, source: Placed) -> Iterable[str]:
    name = str(source._meta.model_name)
    for row in users_from(work, RunFacts, "run", **{f"{name}_id": source.pk}):
        yield describe(row.run)
    for landing in standing_at(work, Landing, **{name: source}).select_related("block").order_by("row"):
        yield f"row {landing.row} of {describe(landing.block)} (landing {landing.pk})"
