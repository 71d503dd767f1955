"""Makes a process stop at a named step of a recheck and say so, that it may be killed right there.

The steps are functions of ours, replaced in that process by ones that wait: what runs in production knows
nothing of it.
"""

from __future__ import annotations

import importlib
import os
import threading
from pathlib import Path
from typing import Any

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
        threading.Event().wait()
        raise AssertionError("nobody wakes it")

    setattr(module, function_name, pause)


def pause_where_asked() -> None:
    """As the environment says; nothing where it says nothing."""
    step = os.environ.get("ZONEBOOK_TESTED_STEP")
    if step:
        pause_at(step, Path(os.environ["ZONEBOOK_TESTED_FILE"]))
