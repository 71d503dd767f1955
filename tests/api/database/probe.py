"""A process that uses an embedded server, for tests to start, talk to over pipes and kill: one line in, one
out.

Needs the standard library, psycopg and api.database only, so that it also runs as another user from a
copy."""

import json
import os
import sys
from pathlib import Path

import psycopg

from api.database import embedded, location


def look(data_dir: Path, *, again: bool) -> dict[str, object]:
    host = embedded.join(data_dir, again=again)
    place = location.find(data_dir)
    with psycopg.connect(host=host, user="zonebook", dbname="zonebook") as connection:
        row = connection.execute("SELECT current_user, current_setting('server_version')").fetchone()
        assert row
    try:
        postmaster = (place.cluster / "postmaster.pid").read_text().splitlines()[0]
    except PermissionError:
        postmaster = "0"
    return {
        "pid": os.getpid(),
        "host": host,
        "folder": str(place.folder),
        "user": row[0],
        "version": row[1],
        "postmaster": int(postmaster),
    }


def main() -> None:
    data_dir = Path(sys.argv[1])
    print(json.dumps(look(data_dir, again=False)), flush=True)
    for line in sys.stdin:
        if line.strip() == "fork" and os.fork() == 0:
            print(json.dumps(look(data_dir, again=False)), flush=True)
            sys.exit(0)
        if line.strip() == "fork":
            os.wait()
        else:
            print(json.dumps(look(data_dir, again=True)), flush=True)


if __name__ == "__main__":
    main()
