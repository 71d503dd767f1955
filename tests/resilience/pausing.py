"""Makes a process stop at a named step of a sweep and say so, that it may be killed right there.

The steps are functions of ours, replaced in that process by ones that wait: what runs in production knows
nothing of it.
"""

from __future__ import annotations

import importlib
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple, NoReturn

from zones.recheck.sweep import on_sweep


class Step(NamedTuple):
    """Where a function is called from, its name there, and whether the step is after it rather than before
    it."""

    module: str
    function: str
    after: bool = False


_SWEEP, _BATCH = "zones.recheck.sweep", "zones.recheck.batch"

MARKING = {
    "mark_outdated not begun": Step(_SWEEP, "mark_outdated"),
    "mark_outdated committed": Step(_SWEEP, "mark_outdated", after=True),
    "raise_due not begun": Step(_SWEEP, "raise_due"),
    "raise_due committed": Step(_SWEEP, "raise_due", after=True),
}
"""What is due, what is to be tried again and what an older solver made become marks: three statements, each a
transaction of its own."""

UNCOMMITTED = {
    "claimed": Step(_SWEEP, "recheck"),
    "marks read": Step(_BATCH, "read_plant"),
    "figures written": Step(_BATCH, "bearing"),
    "findings, cases and events written": Step(_BATCH, "future_facts"),
    "due dates written": Step(_BATCH, "delete_marks"),
    "marks deleted": Step(_BATCH, "_note_success"),
    "success noted": Step(_BATCH, "_note_success", after=True),
}
"""A recheck, up to its commit."""

CHORES = "claims released, at the chores"
COMMITTED = {
    "committed": Step(_BATCH, "_check_in_snapshot", after=True),
    "claims not released": Step(_SWEEP, "recheck", after=True),
    CHORES: Step("", ""),
}
"""A look, after its recheck's commit."""

FAILURE_UNCOMMITTED = {
    "failed": Step(_BATCH, "_note_failure"),
    "failure noted": Step(_BATCH, "set_aside"),
    "marks set aside": Step(_BATCH, "set_aside", after=True),
}
FAILURE_COMMITTED = {
    "failure not notified": Step(_BATCH, "_notify_failed"),
    "finding, case and event written": Step("zones.findings.rechecked", "notify", after=True),
}
FAILURE_TOLD = {
    "failure notified": Step(_BATCH, "_note_failure", after=True),
}
"""A site cannot be computed: before the commit that says so; after it, and before the commit of the notices;
after both."""

STEPS = MARKING | UNCOMMITTED | COMMITTED | FAILURE_UNCOMMITTED | FAILURE_COMMITTED | FAILURE_TOLD


def pause_at(step: str, announced_in: Path) -> None:
    """The first process that comes to ``step`` writes its number into a file and waits for ever; those after
    it go on."""

    def pause() -> None:
        if announced_in.exists():
            return
        draft = announced_in.with_suffix(".draft")
        draft.write_text(str(os.getpid()), encoding="ascii")
        draft.replace(announced_in)
        _wait_for_the_end_of(os.getppid())

    if step == CHORES:
        on_sweep(pause)
        return
    module_name, function_name, after = STEPS[step]
    module = importlib.import_module(module_name)
    setattr(module, function_name, _with(pause, getattr(module, function_name), after=after))


def _with(pause: Callable[[], None], go_on: Callable[..., Any], *, after: bool) -> Callable[..., Any]:
    def pausing(*arguments: Any, **named: Any) -> Any:
        if not after:
            pause()
        result = go_on(*arguments, **named)
        if after:
            pause()
        return result

    return pausing


def _wait_for_the_end_of(parent: int) -> NoReturn:
    """Wait until the parent process is gone, and go too: a killed test run leaves no process behind."""
    while os.getppid() == parent:
        threading.Event().wait(0.2)
    os._exit(1)


def end_with_parent() -> None:
    """Have this process end with the one that started it."""
    threading.Thread(target=_wait_for_the_end_of, args=[os.getppid()], daemon=True).start()


def pause_where_asked() -> None:
    """As the environment says, if it says so."""
    end_with_parent()
    step = os.environ.get("ZONEBOOK_TESTED_STEP")
    if step:
        pause_at(step, Path(os.environ["ZONEBOOK_TESTED_FILE"]))
