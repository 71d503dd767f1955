"""Waits until nobody uses an embedded server any more, however its users ended, and stops it:
`-m api.database.keeper DIR`.

Runs detached from the process that started it, in a session of its own, so that neither Ctrl-C nor a kill of
the service's process group ends it. At most one lives per data folder."""

import contextlib
import os
import sys
from pathlib import Path

from api.database import cluster, embedded, home
from api.database.errors import EmbeddedDatabaseError


def keep(data_dir: Path) -> None:
    """Wait for the last user to go, then stop the server.

    1. Where the server lies is learnt at the start: a data folder that is removed takes its pointer with it.
    2. Waiting takes the users' lock alone and lets it go again: to hold it while waiting for the start lock
       would meet a process that holds the start lock and wants to become a user.
    3. `stop_if_unused` looks again under both; if someone has come, wait again.
    4. The keeper's own lock goes before the start lock, or whoever starts the server next would find a keeper
       that is on its way out.
    """
    own = embedded.keeper_lock(data_dir)
    if not own.try_acquire():
        return
    try:
        with embedded.start_lock(data_dir):
            place = home.find(data_dir)
        while True:
            with embedded.users_lock(data_dir, shared=False):
                pass
            if not home.is_still(place):
                cluster.stop(place)
                return
            with embedded.start_lock(data_dir):
                if embedded.stop_if_unused(data_dir):
                    own.release()
                    return
    finally:
        own.release()


def detach() -> bool:
    """Go on in a child whose session is its own; False in the parent."""
    if sys.platform == "win32":
        return True
    if os.fork():
        return False
    os.setsid()
    return True


def main() -> None:
    data_dir = Path(sys.argv[1])
    if not detach():
        return
    os.chdir(data_dir.anchor)
    with contextlib.suppress(EmbeddedDatabaseError, FileNotFoundError):  # there is nobody to tell
        keep(data_dir)


if __name__ == "__main__":
    main()
