"""Makes a process stop at a named step of a recheck and say so, that it may be killed right there.

The steps are functions of ours, replaced in that process by ones that wait: what runs in production knows
nothing of it.
"""

from __future__ import annotations

import importlib
import os
import threading
from pathlib import Path
from typing import Any, NoReturn

STEPS = {
    "claimed": ("zones.recheck.sweep", "recheck"),
    "marks read": ("zones.recheck.batch", "read_plant"),
    "figures written": ("zones.recheck.batch", "checked_listeners"),
    "marks deleted": ("zones.recheck.batch", "_note_success"),
}


def pause_at(step: str, announced_in: Path) -> None:
    """The first process that comes to ``step`` writes its number into a file and waits for ever; those after
    it go on."""
    module_name, function_name = STEPS[step]
    module = importlib.import_module(module_name)
    go_on = getattr(module, function_name)

    def pause(*arguments: Any, **named: Any) -> Any:
        if announced_in.exists():
            return go_on(*arguments, **named)
        draft = announced_in.with_suffix(".draft")
        draft.write_text(str(os.getpid()), encoding="ascii")
        draft.replace(announced_in)
        _wait_for_the_end_of(os.getppid())

    setattr(module, function_name, pause)


def _wait_for_the_end_of(parent: int) -> NoReturn:
    """Wait until the parent process is gone, and go too: a killed test run leaves nobody behind."""
    while os.getppid() == parent:
        threading.Event().wait(0.2)
    os._exit(1)


def pause_where_asked() -> None:
    """As the environment says, if it says so. The process ends with the one that started it."""
    threading.Thread(target=_wait_for_the_end_of, args=[os.getppid()], daemon=True).start()
    step = os.environ.get("ZONEBOOK_TESTED_STEP")
    if step:
        pause_at(step, Path(os.environ["ZONEBOOK_TESTED_FILE"]))
