"""Waits until no process uses an embedded server any more, however they ended, and stops it:
`-m api.database.reaper DIR`.

Runs in a session of its own, so that neither Ctrl-C nor a kill of the service's process group ends it. At
most one lives per data folder."""

import contextlib
import os
import sys
from pathlib import Path

from api.database import EmbeddedDatabaseError, cluster, embedded, location


def stop_after_last_user(data_dir: Path) -> None:
    """Wait for the last process that uses the server to end, then stop the server.

    1. Where the server lies is read at the start: a data folder that is removed takes its pointer with it.
    2. Waiting takes the users' lock alone and releases it: to hold it while waiting for the start lock would
       be a deadlock with a process that holds the start lock and waits for the users' lock.
    3. `stop_if_unused` looks again under both; if a user has come, wait again.
    4. The reaper's own lock is released before the start lock, or the next process to start the server would
       find a reaper that is about to end.
    """
    own = embedded.reaper_lock(data_dir)
    if not own.acquire(wait=False):
        return
    try:
        with embedded.start_lock(data_dir):
            place = location.find(data_dir)
        while True:
            with embedded.users_lock(data_dir, shared=False):
                pass
            if not place.is_current():
                cluster.stop(place)
                return
            with embedded.start_lock(data_dir):
                if embedded.stop_if_unused(data_dir):
                    own.release()
                    return
    finally:
        own.release()


def main() -> None:
    if os.fork():
        return  # the process that started this waits for its end
    os.chdir("/")
    with contextlib.suppress(EmbeddedDatabaseError, FileNotFoundError):  # no one reads a report
        stop_after_last_user(Path(sys.argv[1]))


if __name__ == "__main__":
    main()
